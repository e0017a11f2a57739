"""The one-file plugins that the guide shows."""

from __future__ import annotations

import re
from pathlib import Path

import deckwright

GUIDE = Path(deckwright.__file__).parent / "guide" / "plugins.md"


def guide_plugin(kind: str) -> str:
    """Return the plugin of the guide that brings a kind."""
    blocks = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return next(block for block in blocks if f'kind = "{kind}"' in block)
