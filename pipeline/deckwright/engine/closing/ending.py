"""What the passes of a run leave to be closed."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from deckwright.engine.passes.accounts import Count
from deckwright.engine.passes.parts import Draft
from deckwright.engine.passes.tasks import ReasonKey, Result
from deckwright.engine.planning.plan import Plan
from deckwright.plugin.values import DeckPart, Part


@dataclass(slots=True)
class Ending:
    """Plan, accounts, task results. outputs: name to rows, size, SHA-256, in the order of the job.

    drafts: what trays gave for files that are made after the last card, by name.
    brought: files of `out` that came after the last card, each with the number of its stage.
    hashed: size and SHA-256 of files of `out` that were hashed on the way, by name.

    deck_counts: accounts by stage and named deck.

    next_masters: stage, file, master and the counts of its account, for each that was delivered.
    carried: stage, name, file, records, SHA-256 read and made, of each carried file and master.
    """

    plan: Plan
    work: Path
    decks: list[DeckPart]
    counts: dict[int, Count]
    results: list[list[Result]]
    outputs: dict[str, tuple[int, int, str]]
    hashes: dict[str, str]
    reasons: dict[ReasonKey, int]
    drafts: dict[str, Draft] = field(default_factory=dict)
    brought: dict[str, int] = field(default_factory=dict)
    hashed: dict[str, tuple[int, str]] = field(default_factory=dict)
    deck_counts: dict[tuple[int, str], Count] = field(default_factory=dict)
    facts: dict[int, dict[str, int | str]] = field(default_factory=dict)
    pictures: dict[int, bytes] = field(default_factory=dict)
    """Small pictures of cards that were not read as a whole, by number in the run."""
    next_masters: list[dict[str, int | str]] = field(default_factory=list)
    carried: list[dict[str, int | str]] = field(default_factory=list)
    late_rows: list[Part] = field(default_factory=list)
    """Rows of no card that a stage enters while it finishes."""
    run_faults: list[dict[str, int | str]] = field(default_factory=list)
    """Faults of the run as a whole: stage, severity, reason, detail."""

    @property
    def cards(self) -> int:
        """Return the number of cards that arrived."""
        return sum(part.cards for part in self.decks)

    @property
    def run(self) -> Path:
        """Return the run folder under construction."""
        return self.work / "run"

    def tables(self) -> dict[str, pl.DataFrame] | None:
        """Return what the journal's tables hold, by file name; None where not all is in memory."""
        found: dict[str, pl.DataFrame] = {}
        for result in self.all_results():
            if result.tables is None:
                return None
            found |= result.tables
        return found

    def all_results(self) -> list[Result]:
        """Return the results of all tasks."""
        return [result for results in self.results for result in results]
