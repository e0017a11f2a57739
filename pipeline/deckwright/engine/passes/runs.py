"""Groups that come one after the other in the order of the cards, never split and never twice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.engine.passes.groups import Groups, too_large
from deckwright.engine.passes.lacking import Lack, Returned, write_lack
from deckwright.engine.passes.spill import Block
from deckwright.engine.passes.tasks import Result
from deckwright.engine.planning.asking import Asking
from deckwright.engine.planning.limits import Limits
from deckwright.engine.planning.naming import card_named
from deckwright.engine.planning.plan import Pass, Plan
from deckwright.engine.planning.sortkeys import Words
from deckwright.errors import GroupReturnsError
from deckwright.plugin.values import DeckPart
from deckwright.report.model import ADDED_FROM

Key = NDArray[np.uint64]
Runs = NDArray[np.uint64]
"""uint64 (k, words + 1): key and first card of each run."""

RUNS_AT_ONCE = 2_000_000
"""Runs whose keys are held at a time, some 100 bytes each while they are put in order."""


@dataclass(frozen=True, slots=True)
class Edges:
    """Where runs begin in a spilled tray. first, last: key of its first and last card.

    head, tail: places of the first and the last run that begin behind its first card; 0 = none.
    """

    first: Key
    last: Key
    head: int
    tail: int


@dataclass(frozen=True, slots=True)
class Piece:
    """State of a narrowed block. opens: its first card begins a run. tail: as in its edges."""

    opens: bool
    tail: int


class RunNotes:
    """What a task notes of the runs that it leaves: edges of each tray, and a file of all keys."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._last: Key | None = None

    def edges(self, words: Words, cards: NDArray[np.int64]) -> Edges:
        """Return the edges of a tray; its runs are written down.

        Args:
            words: uint64 (words, n) keys of its cards, at least one.
            cards: int64 (n) their numbers.
        """
        inner = np.flatnonzero((words[:, 1:] != words[:, :-1]).any(axis=0)) + 1
        starts = np.concatenate([[0], inner])
        if self._last is not None and np.array_equal(self._last, words[:, 0]):
            starts = inner
        self._last = words[:, -1].copy()
        runs = np.vstack([words[:, starts], cards[starts].astype(np.uint64)[None, :]]).T
        self.path.parent.mkdir(exist_ok=True)
        with self.path.open("ab") as file:
            file.write(np.ascontiguousarray(runs).data)
        head, tail = (int(inner[0]), int(inner[-1])) if len(inner) else (0, 0)
        return Edges(words[:, 0].copy(), self._last, head, tail)


@dataclass(slots=True)
class RunTasks:
    """The tasks of a pass whose groups come in runs. blocks: of each task, none split inside a run.

    continued: for each task before, whether its first run began in an earlier one. alone: tasks
    with a run so large that nothing else may run.
    """

    blocks: list[list[Block]]
    continued: list[bool]
    alone: frozenset[int]


def run_tasks(plan: Plan, todo: Pass, before: Sequence[Result], limit: Limits) -> RunTasks:
    """Cut the cards that the pass before left into tasks that split no run.

    Raises:
        GroupTooLargeError: a run has more cards than the memory holds.
    """
    blocks: list[list[Block]] = [[] for _ in before]
    continued = [False] * len(before)
    runs = _Sizes(plan, todo, limit)
    here = 0
    for index, result in enumerate(before):
        for place, block in enumerate(result.blocks):
            edges, count = block.state, int(block.starts[-1])
            opens = runs.opens(edges)
            continued[index] |= place == 0 and not opens
            border = 0 if opens else edges.head or count
            runs.more(border, here)
            if here != index and border:
                blocks[here].append(_part(block, 0, border, opens=opens))
            start = border if here != index else 0
            if border < count:
                here = index
                runs.begin(block, border, edges, here)
            if start < count:
                blocks[here].append(_part(block, start, count, opens=opens or start > 0))
    runs.end()
    return RunTasks(blocks, continued, frozenset(runs.alone))


def _part(block: Block, start: int, stop: int, *, opens: bool) -> Block:
    tail = block.state.tail if start < block.state.tail < stop else 0
    return replace(block, starts=np.array([start, stop]), state=Piece(opens, tail))


class _Sizes:
    """Follows the run that is open, and refuses one that is too large once all of it is known."""

    def __init__(self, plan: Plan, todo: Pass, limit: Limits) -> None:
        self._plan, self._todo, self._limit = plan, todo, limit
        self._last: Key | None = None
        self._size = 0
        self._first: Block | None = None
        self.alone: set[int] = set()

    def opens(self, edges: Edges) -> bool:
        """Return whether the first card of the next tray begins a run; then look at its last."""
        opens = self._last is None or not np.array_equal(self._last, edges.first)
        self._last = edges.last
        return opens

    def more(self, cards: int, task: int) -> None:
        """Add cards to the open run, which lies in this task."""
        self._size += cards
        if self._size > self._limit.cards_a_range:
            self.alone.add(task)

    def begin(self, block: Block, border: int, edges: Edges, task: int) -> None:
        """End the open run; the next that is still open at the end of this tray begins."""
        self.end()
        start = max(border, edges.tail)
        self._first = replace(block, starts=np.array([start, start + 1]))
        self._size = 0
        self.more(int(block.starts[-1]) - start, task)

    def end(self) -> None:
        """End the open run."""
        if self._first is not None and self._size > self._limit.cards_a_group:
            assert self._todo.runs is not None  # noqa: S101 # as the caller knows
            groups = Groups(self._todo.runs, self._plan)
            key = groups.key(self._first)
            raise too_large(
                self._plan, self._todo, groups.named([self._first], key), self._size, self._first,
                self._limit,
            )  # fmt: skip


def whole_runs(pieces: Sequence[Block]) -> Iterator[list[Block]]:
    """Yield blocks to be gathered together, which split no run."""
    held: list[Block] = []
    for piece in pieces:
        start, stop = (int(edge) for edge in piece.starts)
        if piece.state.tail:
            yield [*held, replace(piece, starts=np.array([start, piece.state.tail]))]
            held = [replace(piece, starts=np.array([piece.state.tail, stop]))]
        elif piece.state.opens and held:
            yield held
            held = [piece]
        else:
            held.append(piece)
    if held:
        yield held


def check_runs(
    plan: Plan,
    todo: Pass,
    before: Sequence[Result],
    tasks: RunTasks,
    decks: Sequence[DeckPart],
) -> None:
    """Check that no group comes again once it was left.

    Raises:
        GroupReturnsError: one does; names the first card at which one does.
    """
    files = run_files(before, tasks)
    assert todo.runs is not None  # noqa: S101 # as the caller knows
    width = len(todo.runs.words) + 1
    place, card = _returning(files, width)
    if place is None:
        return
    groups = Groups(todo.runs, plan)
    all_blocks = [block for result in before for block in result.blocks]
    group = groups.named_by_card(all_blocks, card)
    step = todo.steps[0]
    raise GroupReturnsError(step.label, group, card_named(card, decks), todo.runs.fields)


def run_files(before: Sequence[Result], tasks: RunTasks) -> list[tuple[Path, bool]]:
    """Return the work files of all runs; True = its first run goes on with the one before."""
    return [
        (Path(result.runs), continued)
        for result, continued in zip(before, tasks.continued, strict=True)
        if result.runs
    ]


def tell_lacking(
    plan: Plan,
    todo: Pass,
    results: Sequence[Sequence[Result]],
    work: Path,
    runs: Sequence[tuple[Path, bool]],
) -> None:
    """Write down which cards earlier passes returned of the groups of a pass.

    Args:
        plan: the plan of the run.
        todo: the pass.
        results: of all earlier passes.
        work: the run's folder for work files.
        runs: files of all runs, where groups lie in runs; they are removed.
    """
    inside = {step.number for step in todo.steps}
    in_order = not any(earlier.sort for earlier in plan.passes[: todo.number])
    for asking in plan.asking:
        number = asking.step.number
        if number in inside:
            every = (result for one in results for result in one)
            found = [each for result in every for each in result.lacking.pop(number, [])]
            lacks = [each.lack for each in found]
            if runs and in_order:
                lacks.append(by_place(runs, asking, found))
            write_lack(work, asking, lacks)
    for path, _ in runs:
        path.unlink()


def by_place(files: Sequence[tuple[Path, bool]], asking: Asking, found: Sequence[Returned]) -> Lack:
    """Return returned cards without a key as cards of the group of the card that stood before.

    Those before the first card of all fall to its group. A card that a stage added stood nowhere.

    Args:
        files: of all runs, in the order in which the cards arrived.
        asking: the group stage.
        found: all that was returned.
    """
    cards = np.concatenate([each.cards for each in found] or [np.zeros(0, np.int64)])
    keep = np.flatnonzero(cards < ADDED_FROM)
    width = len(asking.keys.words)
    words: Words = np.zeros((width, len(keep)), np.uint64)
    if not len(keep):
        return Lack(words, np.zeros((1 + len(asking.sums), 0), np.int64))
    cards = cards[keep]
    amounts = np.hstack([each.amounts for each in found])[:, keep]
    first = True
    for path, _ in files:
        runs = np.fromfile(path, np.uint64).reshape(-1, width + 1)
        runs = runs[runs[:, -1] < ADDED_FROM]
        if len(runs):
            at = np.searchsorted(runs[:, -1].astype(np.int64), cards, side="right") - 1
            mine = np.flatnonzero((at >= 0) | first)
            words[:, mine] = runs[np.maximum(at[mine], 0), :-1].T  # later files take over theirs
            first = False
    return Lack(words, amounts)


def _returning(files: Sequence[tuple[Path, bool]], width: int) -> tuple[int | None, int]:
    """Return the place in the order of all runs, and the card, of the first key that was before."""
    count = sum(path.stat().st_size for path, _ in files) // (8 * width)
    shares = -(-count // RUNS_AT_ONCE)
    found: tuple[int | None, int] = (None, 0)
    for share in range(shares):
        runs, places = _share(files, width, share, shares)
        order = np.lexsort([*runs[:, :-1].T])  # stable, so equal keys stay in their order
        keys = runs[order, :-1]
        again = np.flatnonzero((keys[1:] == keys[:-1]).all(axis=1)) + 1
        if again.size:
            first = int(again[np.argmin(places[order[again]])])
            at = int(places[order[first]])
            if found[0] is None or at < found[0]:
                found = at, int(runs[order[first], -1])
    return found


def _share(
    files: Sequence[tuple[Path, bool]], width: int, share: int, shares: int
) -> tuple[Runs, NDArray[np.int64]]:
    """Return those runs of all files whose keys fall to one share, and their places."""
    runs, places, start = [], [], 0
    for path, continued in files:
        data = np.fromfile(path, np.uint64).reshape(-1, width)[int(continued) :]
        where = np.arange(start, start + len(data))
        start += len(data)
        if shares > 1:
            mine = np.flatnonzero(_mixed(data) % np.uint64(shares) == share)
            data, where = data[mine], where[mine]
        runs.append(data)
        places.append(where)
    return np.concatenate(runs), np.concatenate(places)


def _mixed(runs: Runs) -> NDArray[np.uint64]:
    mixed = np.zeros(len(runs), np.uint64)
    for word in range(runs.shape[1] - 1):
        mixed = (mixed ^ runs[:, word]) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    return mixed
