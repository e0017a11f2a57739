"""Samples of the cards that come to a pass, from which the ranges of the next sort are cut."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from deckwright.engine.passes.partition import Cuts, cuts_of
from deckwright.engine.passes.scans import join
from deckwright.engine.passes.spill import Gatherer
from deckwright.engine.passes.tasks import Recipe, Task
from deckwright.engine.passes.worker import Worker
from deckwright.engine.planning.plan import Pass, Plan
from deckwright.layout.tray import Tray
from deckwright.plugin.values import RawTray, Survey

_CARDS = 512
_SPANS = 16
_PIECES = 32  # of a tray that is grouped by range already

_Sample = tuple[Tray, RawTray | None, Task]


@dataclass(frozen=True, slots=True)
class Sampler:
    """Takes samples of a run."""

    plan: Plan
    recipe: Recipe
    surveys: Sequence[Survey]

    def cuts(self, todo: Pass, tasks: Iterable[Task], ranges: int) -> Cuts:
        """Return the cuts between the ranges of the next pass.

        Args:
            todo: the pass that leads on to it.
            tasks: its tasks; from the second pass on their cards are sampled, not the decks.
            ranges: how many are wanted.
        """
        assert todo.routes is not None  # noqa: S101 # the caller cuts ranges of a sort
        words, cards = [], []
        if ranges > 1:
            worker = Worker(self.recipe, self.plan)
            samples = self._of_tasks if todo.number > 1 else self._of_decks
            for tray, raw, task in samples(worker, todo, tasks, ranges):
                sample = worker.through(todo, tray, raw, task)
                words.append(todo.routes.encode(sample))
                cards.append(sample.cards)
        if not words:
            return Cuts(np.zeros((len(todo.routes.words), 0), np.uint64))
        grouped = self.plan.passes[todo.number].groups is not None
        return cuts_of(np.hstack(words), np.concatenate(cards), ranges, part_equal=not grouped)

    def _of_decks(
        self, worker: Worker, _: Pass, __: Iterable[Task], ranges: int
    ) -> Iterator[_Sample]:
        for deck, survey in zip(self.recipe.decks, self.surveys, strict=True):
            # media with many small spans are sampled in some of them only
            apart = max(1, len(survey.spans) // (_SPANS * ranges))
            medium = self.plan.medium_of(deck)
            for span in survey.spans[::apart]:
                raw = next(iter(medium.read(Path(deck.path), span, _CARDS)))
                yield worker.arriving.tray(raw, deck), raw, Task(1, 0)

    def _of_tasks(
        self, worker: Worker, todo: Pass, tasks: Iterable[Task], ranges: int
    ) -> Iterator[_Sample]:
        found = []
        for task in tasks:
            before = task.before
            for block in task.blocks:
                found.append((replace(task, before=before), block))
                before = join(todo.scan, before, block.state) if todo.scan else None
        with Gatherer(worker.plan.code, worker.plan.configs) as gatherer:
            for task, block in found[:: max(1, len(found) // (_SPANS * ranges))]:
                pieces = 1 if todo.scan else _PIECES
                yield gatherer.some(block, _CARDS, pieces), None, task
