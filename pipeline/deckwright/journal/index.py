"""The index of a journal: stages, passes, tasks, outputs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deckwright.journal.reader import SCHEMA

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def write_index(
    run: Path,
    stages: Sequence[Mapping[str, Any]],
    decks: Sequence[Mapping[str, Any]],
    passes: Sequence[Mapping[str, Any]],
    outputs: Sequence[Mapping[str, Any]],
    added_base: int,
) -> None:
    """Write journal.json into a run folder."""
    index = {
        "schema": SCHEMA,
        "stages": stages,
        "decks": decks,
        "passes": passes,
        "outputs": outputs,
        "added_base": added_base,
    }
    text = json.dumps(index, indent=1, ensure_ascii=False) + "\n"
    (run / "journal" / "journal.json").write_text(text, encoding="utf-8", newline="\n")
