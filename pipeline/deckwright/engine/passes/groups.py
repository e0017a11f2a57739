"""Ranges that hold more cards than planned since their groups must stay whole."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.engine.passes.partition import Cuts, group_by_route
from deckwright.engine.passes.spill import Block, Gatherer, SpillWriter
from deckwright.engine.passes.tasks import RangeTasks
from deckwright.engine.planning.limits import Limits, memory_for_group
from deckwright.engine.planning.plan import Pass, Plan
from deckwright.engine.planning.sortkeys import KeyPlan, Words
from deckwright.errors import GroupTooLargeError
from deckwright.layout.tray import Tray
from deckwright.plugin.stages import GroupStage

Counts = NDArray[np.int64]


@dataclass(slots=True)
class Groups:
    """Reads cards of a range block by block, never more than one tray at a time."""

    keys: KeyPlan
    plan: Plan

    def _gatherer(self) -> Gatherer:
        return Gatherer(self.plan.code, self.plan.configs)

    def counted(self, blocks: Sequence[Block]) -> tuple[Words, Counts]:
        """Return the keys of the groups, uint64 (words, k) in their order, and the cards of each.

        Args:
            blocks: narrowed to one range.
        """
        words: Words = np.zeros((len(self.keys.words), 0), np.uint64)
        counts: Counts = np.zeros(0, np.int64)
        with self._gatherer() as gatherer:
            for block in blocks:
                here = self.keys.encode(gatherer.range([block]))
                amounts = np.concatenate([counts, np.ones(here.shape[1], np.int64)])
                words, which = np.unique(np.hstack([words, here]), axis=1, return_inverse=True)
                counts = np.bincount(which.reshape(-1), amounts, words.shape[1]).astype(np.int64)
        return words, counts

    def named(self, blocks: Sequence[Block], key: NDArray[np.uint64]) -> str:
        """Return what the key fields of a group hold, as people read it."""
        with self._gatherer() as gatherer:
            for block in blocks:
                tray = gatherer.range([block])
                rows = np.flatnonzero((self.keys.encode(tray) == key[:, None]).all(axis=0))
                if rows.size:
                    return self._told(tray, int(rows[0]))
        return "without a key"

    def key(self, block: Block) -> NDArray[np.uint64]:
        """Return the key of the first card of a block."""
        with self._gatherer() as gatherer:
            return self.keys.encode(gatherer.range([block]))[:, 0]

    def named_by_card(self, blocks: Sequence[Block], card: int) -> str:
        """Return what the key fields of the group of a card hold."""
        for block in blocks:
            if block.first_card <= card <= block.last_card:
                with self._gatherer() as gatherer:
                    tray = gatherer.whole(block)
                rows = np.flatnonzero(tray.cards == card)
                if rows.size:
                    return self._told(tray, int(rows[0]))
        return "without a key"

    def _told(self, tray: Tray, row: int) -> str:
        return ", ".join(f"{name} {self._shown(name, tray, row)}" for name in self.keys.fields)

    def _shown(self, name: str, tray: Tray, row: int) -> str:
        said = str(tray[name][row])
        return self.plan.seal.text(said) if name in self.plan.personal else said

    def parted(self, blocks: Sequence[Block], cards: int, path: Path) -> list[list[Block]]:
        """Write the cards of a range anew, in parts of about so many cards; groups stay whole.

        Args:
            blocks: narrowed to one range.
            cards: most cards of a part, unless one group has more.
            path: work file to write.

        Returns:
            The blocks of each part, in the order of the keys.
        """
        words, counts = self.counted(blocks)
        cuts = Cuts(np.ascontiguousarray(words[:, np.array(_starts(counts, cards), np.intp)]))
        writer = SpillWriter(path)
        with self._gatherer() as gatherer:
            for block in blocks:
                tray = gatherer.range([block])
                order, sizes = group_by_route(
                    cuts.route(self.keys.encode(tray), tray.cards), cuts.ranges
                )
                writer.add(tray.take(order), np.concatenate([[0], np.cumsum(sizes)]))
        writer.close()
        tasks = RangeTasks(0, writer.blocks)
        return [list(tasks[index].blocks) for index in range(len(tasks))]


def _starts(counts: Counts, cards: int) -> list[int]:
    """Return which groups begin a new part, from the second part on."""
    starts, held = [], 0
    for place, count in enumerate(counts.tolist()):
        if held and held + count > cards:
            starts.append(place)
            held = 0
        held += count
    return starts


def large_groups(plan: Plan, todo: Pass, tasks: RangeTasks, limit: Limits) -> frozenset[int]:
    """Return the tasks of a pass that have one group larger than a task; they must run alone.

    Raises:
        GroupTooLargeError: a group has more cards than the memory holds.
    """
    if todo.groups is None:
        return frozenset()
    groups = Groups(todo.groups, plan)
    alone = set()
    for index in tasks.larger_than(limit.cards_a_range):
        blocks = tasks[index].blocks
        words, counts = groups.counted(blocks)
        largest = int(counts.argmax())
        cards = int(counts[largest])
        if cards > limit.cards_a_group:
            group = groups.named(blocks, words[:, largest])
            raise too_large(plan, todo, group, cards, max(blocks, key=_width), limit)
        if cards > limit.cards_a_range:
            alone.add(index)
    return frozenset(alone)


def _width(block: Block) -> int:
    return block.columns["text"].items


def too_large(
    plan: Plan, todo: Pass, group: str, cards: int, block: Block, limit: Limits
) -> GroupTooLargeError:
    """Return the error for a group of so many cards; block: some of them."""
    step = next(step for step in todo.steps if isinstance(step.stage, GroupStage))
    fields = "sort on more fields and group by them" if todo.sort else "group by more fields"
    needed = memory_for_group(cards, _width(block))
    most = limit.cards_a_group
    return GroupTooLargeError(step.label, group, cards, most, plan.spec.memory, needed, fields)


def stretches(count: int, alone: Iterable[int]) -> list[tuple[int, int, bool]]:
    """Return (first, after, alone) of stretches of tasks, each lonely one for itself."""
    found, start = [], 0
    for index in sorted(alone):
        if start < index:
            found.append((start, index, False))
        found.append((index, index + 1, True))
        start = index + 1
    return [*found, (start, count, False)] if start < count else found
