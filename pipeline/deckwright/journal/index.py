"""The index of a journal: stages, passes, tasks, outputs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from deckwright.journal.reader import SCHEMA
from deckwright.jsontext import indented

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
    text = indented(index, 1) + "\n"
    (run / "journal" / "journal.json").write_text(text, encoding="utf-8", newline="\n")
