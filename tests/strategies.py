"""What several properties draw from. A strategy that one file alone needs stays in that file."""

from __future__ import annotations

from hypothesis import strategies as st

from deckwright.engine.planning.limits import Sizes
from deckwright.service.system.places import RUN_NAME

SIZES = st.builds(Sizes, st.integers(1, 9), st.integers(1, 4))
"""Sizes that cut a deck of some dozen cards into several tasks, of one or more trays each."""

NASTY = st.text(max_size=30) | st.sampled_from(
    [
        "<script>alert(1)</script>",
        "\"'&<>",
        "</style><style>*{display:none}",
        '" onerror="alert(1)',
        "</title><img src=x onerror=alert(1)>",
        "]]><svg onload=alert(1)>",
        "card\u202egpj.\x00",
    ]
)
"""Texts that would do harm on a page where they were taken for its own."""

FILE_NAMES = st.binary(min_size=1, max_size=255).filter(
    lambda name: not {0, ord("/")} & set(name) and name not in {b".", b".."}
)
"""Every name that a file may have."""

RUN_NAMES = st.from_regex(RUN_NAME.pattern.replace("$", r"\Z"), fullmatch=True)
"""Names of runs of the service."""
