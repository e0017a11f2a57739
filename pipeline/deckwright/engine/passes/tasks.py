"""What executors run: one task of a pass, over a span of the deck or a range of the key."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, overload

import numpy as np
import polars as pl
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.engine.passes.accounts import Count
from deckwright.engine.passes.lacking import Returned
from deckwright.engine.passes.partition import Cuts
from deckwright.engine.passes.spill import Block
from deckwright.plugin.values import DeckPart, Span
from deckwright.report.model import ADDED_FROM

CARDS_A_TRAY = 32_768


@dataclass(frozen=True, slots=True)
class Recipe:
    """All that a process needs to run tasks: read anew from the files, never sent as objects."""

    job: str
    replaced: dict[str, str]
    work: str
    decks: tuple[DeckPart, ...]
    cards_a_tray: int = CARDS_A_TRAY
    cards_a_range: int = 2**62
    """Most cards of a range that are gathered at once where groups stay whole."""
    key: bytes = field(default=b"", repr=False)
    """The key by which personal text is sealed; empty where nothing is."""

    @property
    def added_base(self) -> int:
        """Return the first number for cards that stages add, far above every card that arrives."""
        return added_base(self.decks)


@dataclass(frozen=True, slots=True)
class Task:
    """One task. Exactly one of span, range_number, block index or digest says what it reads."""

    pass_number: int
    index: int
    deck: int = 0
    span: Span | None = None
    blocks: tuple[Block, ...] = ()
    cuts: Cuts | None = None
    cards_known: bool = False
    before: Any = None
    """State of the cards before those of the task, for the scan that begins the pass."""
    total: Any = None
    """State of all cards, where the scan needs it."""
    digest: str = ""
    """Path of a file whose SHA-256 is wanted; then nothing else is done."""


class RangeTasks(Sequence[Task]):
    """The tasks of a sorted pass, one a range; each is made when it is asked for.

    All of them together would name every range of every tray of the deck at once.
    """

    def __init__(self, pass_number: int, blocks: list[Block], cuts: Cuts | None = None) -> None:
        self._number, self._blocks, self.cuts = pass_number, blocks, cuts
        starts = [block.starts for block in blocks] or [np.zeros(2, np.int64)]
        self._starts = np.vstack(starts)
        sizes = np.diff(self._starts, axis=1).sum(axis=0)
        self._places = np.concatenate([[0], np.cumsum(sizes)])

    def larger_than(self, cards: int) -> list[int]:
        """Return which ranges hold more cards."""
        return np.flatnonzero(np.diff(self._places) > cards).tolist()

    @override
    def __len__(self) -> int:
        return int(self._starts.shape[1]) - 1

    @overload
    def __getitem__(self, index: int) -> Task: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Task]: ...
    @override
    def __getitem__(self, index: int | slice) -> Task | Sequence[Task]:
        if isinstance(index, slice):
            return [self[number] for number in range(*index.indices(len(self)))]
        if not 0 <= index < len(self):
            raise IndexError(index)
        edges = self._starts[:, index : index + 2]
        mine = np.flatnonzero(edges[:, 1] > edges[:, 0]).tolist()
        blocks = tuple(replace(self._blocks[at], starts=edges[at].copy()) for at in mine)
        return Task(self._number, index, blocks=blocks, cuts=self.cuts)


def leading_to(tasks: Sequence[Task], cuts: Cuts) -> Sequence[Task]:
    """Return tasks whose cards go on to these ranges."""
    if isinstance(tasks, RangeTasks):
        tasks.cuts = cuts
        return tasks
    return [replace(task, cuts=cuts) for task in tasks]


@dataclass(frozen=True, slots=True)
class PartFile:
    """A stretch of an output, made by one task.

    kept: its bytes, when there is no work file. sizes: of what each tray put into it.
    """

    file: str
    path: str
    size: int
    rows: int
    kept: list[bytes | memoryview] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)


ReasonKey = tuple[int, str, str, str, str]
"""stage, severity, reason, field, detail"""


@dataclass(slots=True)
class Result:
    """What a task did."""

    task: int
    counts: dict[int, Count] = field(default_factory=dict)
    deck_counts: dict[tuple[int, str], Count] = field(default_factory=dict)
    """By stage and named deck; empty in a job of one deck."""
    reasons: dict[ReasonKey, int] = field(default_factory=dict)
    blocks: list[Block] = field(default_factory=list)
    gone: list[Block] = field(default_factory=list)
    records: dict[int, bytes] = field(default_factory=dict)
    parts: list[PartFile] = field(default_factory=list)
    met: dict[tuple[int, str], NDArray[np.int64]] = field(default_factory=dict)
    digest_in: int = 0
    digest_out: int = 0
    arrived: int = 0
    left: int = 0
    first_card: int = 0
    sha256: str = ""
    state: Any = None
    """State of the cards that go on, for the scan that begins the next pass."""
    runs: str = ""
    """Work file with the runs of cards that go on, where the next pass takes groups in runs."""
    lacking: dict[int, list[Returned]] = field(default_factory=dict)
    """Returned cards, by the number of a later group stage that asks for them."""
    reached: Any = None
    """State after the last card of the task, where a scan begins its pass."""
    tables: dict[str, pl.DataFrame] | None = None
    """What the task put into the journal, by file name, where that is little and in memory."""

    def count(self, stage: int) -> Count:
        """Return the account of a stage, made when first asked for."""
        return self.counts.setdefault(stage, Count())


def added_base(decks: Sequence[DeckPart]) -> int:
    """Return the first number for cards that stages add."""
    return max(ADDED_FROM, 10 * (decks[-1].first + decks[-1].cards))


def parts_folder(work: Path) -> Path:
    """Return the folder for stretches of outputs."""
    return work / "parts"


def drafts_folder(work: Path) -> Path:
    """Return the folder for what becomes a file after the last card."""
    return work / "drafts"


def spill_folder(work: Path) -> Path:
    """Return the folder for cards between passes."""
    return work / "spill"


def journal_folder(work: Path) -> Path:
    """Return the folder of the journal."""
    return work / "run" / "journal"


def bench_folder(work: Path, stage: int) -> Path:
    """Return the folder of a stage's own work files."""
    return work / "bench" / str(stage)


def cut_trays(
    total: int, cards_a_tray: int, edges: NDArray[np.intp] | None
) -> Iterator[tuple[int, int]]:
    """Yield (start, stop) of trays; where groups must stay whole, only at these edges."""
    start = 0
    while start < total:
        stop = min(start + cards_a_tray, total)
        if edges is not None and stop < total:
            after = int(np.searchsorted(edges, stop))
            stop = int(edges[after]) if after < len(edges) else total
        yield start, stop
        start = stop
