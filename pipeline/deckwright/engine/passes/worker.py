"""Runs tasks in one process: stages over trays, accounts after each, the journal beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.values import Values
from deckwright.engine.passes.accounts import Count, by_deck, check_account, digest
from deckwright.engine.passes.arriving import Arriving
from deckwright.engine.passes.changes import note_changes
from deckwright.engine.passes.deckfile import fingerprint
from deckwright.engine.passes.firstcards import keep_first_cards
from deckwright.engine.passes.groups import Groups
from deckwright.engine.passes.lacking import (
    Lack,
    Returned,
    joined,
    read_lack,
    returned_for,
    told_of,
    with_readings_of,
)
from deckwright.engine.passes.partition import group_by_route
from deckwright.engine.passes.parts import PartWriter
from deckwright.engine.passes.runs import RunNotes, whole_runs
from deckwright.engine.passes.scans import fold, join, must_be_small
from deckwright.engine.passes.spill import Block, Gatherer, SpillWriter
from deckwright.engine.passes.tablerows import parts_of, sealed_rows
from deckwright.engine.passes.tasks import (
    Recipe,
    Result,
    Task,
    bench_folder,
    cut_trays,
    journal_folder,
    spill_folder,
)
from deckwright.engine.planning.asking import Asking
from deckwright.engine.planning.cutting import scan_of
from deckwright.engine.planning.plan import Pass, Plan, Step, load_plan
from deckwright.engine.planning.sortkeys import KeyPlan, Words, order_of
from deckwright.journal.reader import PASS_SHIFT, TASK_SHIFT
from deckwright.journal.sealing import unquoted
from deckwright.journal.segment import Segment
from deckwright.layout.personal import Seal
from deckwright.layout.tray import Tray, is_among
from deckwright.plugin.book import Book, Gone
from deckwright.plugin.scans import ScanStage
from deckwright.plugin.stages import SinkStage, TrayStage
from deckwright.plugin.values import Bench, RawTray

_FEW_ROWS = 2_000

Arrival = tuple[Tray, RawTray | None, Any]
"""A tray, what the medium delivered, and its state for the scan that begins the pass."""


class Worker:
    """The stages of a plan, opened as they are needed."""

    def __init__(
        self, recipe: Recipe, plan: Plan | None = None, *, keeps_parts: bool = False
    ) -> None:
        """Take what is to be run.

        Args:
            recipe: the run.
            plan: its plan, if it is loaded already.
            keeps_parts: hand stretches of outputs over in memory; only in the process that joins.
        """
        self.recipe = recipe
        self.keeps_parts = keeps_parts
        self.work = Path(recipe.work)
        self.plan = plan or load_plan(Path(recipe.job), recipe.replaced)
        self.plan.seal = Seal(recipe.key)
        self.personal = {step.number: step.personal for step in self.plan.steps if step.personal}
        self.tables = {step.number: step.stage.tables() for step in self.plan.steps}
        self._open: set[int] = set()
        self.arriving = Arriving(self.plan, recipe.decks)
        self.arriving.use_folder(bench_folder(self.work, self.plan.steps[0].number))
        self.asking = {asking.step.number: asking for asking in self.plan.asking}
        self._lacks: dict[int, Lack] = {}

    def run(self, task: Task) -> Result:
        """Run one task.

        Raises:
            DeckwrightError: whatever made it impossible, named for the user.
        """
        if task.digest:
            return Result(task.index, sha256=fingerprint(Path(task.digest)))
        todo = self.plan.passes[task.pass_number - 1]
        for step in (*todo.steps, *([todo.folds] if todo.folds else [])):
            self.open(step)
        return _TaskRun(self, todo, task).run()

    def through(self, todo: Pass, tray: Tray, raw: RawTray | None, task: Task) -> Tray:
        """Return what goes on of a sample of the cards of a pass; nothing is written down."""
        for step in todo.steps:
            self.open(step)
            arrival = raw if step.number == 1 else None
            book = Book(arrival=arrival, tables=self.tables[step.number])
            if step.number in self.asking:
                book.lacking = told_of(self.asking[step.number], tray, [])
            if not isinstance(step.stage, SinkStage):
                tray = _run(step, tray, book, task.before, task.total)
        return tray

    def lack(self, asking: Asking) -> Lack:
        """Return what the groups of a stage lack since stages of earlier passes returned cards."""
        number = asking.step.number
        if number not in self._lacks:
            self._lacks[number] = read_lack(self.work, asking)
        return self._lacks[number]

    def open(self, step: Step) -> None:
        """Let a stage do what it does once a process."""
        if step.number not in self._open:
            step.stage.open(Bench(bench_folder(self.work, step.number), self.plan.memory))
            self._open.add(step.number)


class _TaskRun:
    """One task under way."""

    def __init__(self, worker: Worker, todo: Pass, task: Task) -> None:
        self.worker, self.todo, self.task = worker, todo, task
        self.plan = worker.plan
        self.code = self.plan.code
        self.result = Result(task.index)
        self.segment = Segment(
            self.code.alphabet, task.cards_known, self.plan.seal, worker.personal
        )
        self.name = f"p{todo.number}-{task.index:05}"
        self.before = task.before
        self.lacking: dict[int, list[Returned]] = {}
        self.next_added = (
            worker.recipe.added_base + (todo.number << PASS_SHIFT) + (task.index << TASK_SHIFT)
        )
        spill = spill_folder(worker.work)
        self.spill = None if todo.last else SpillWriter(spill / f"{self.name}.cards")
        self.gone = SpillWriter(spill / f"{self.name}.gone")
        self.runs = RunNotes(spill / f"{self.name}.runs")
        self.parts = PartWriter(worker.work, self.name, keep=worker.keeps_parts)

    def run(self) -> Result:
        try:
            for tray, arrival, state in self._arrivals():
                self._tray(tray, arrival, state)
        finally:
            self.gone.close()
            if self.spill:
                self.spill.close()
            self.parts.close()
        result = self.result
        result.blocks = self.spill.blocks if self.spill else []
        result.gone = self.gone.blocks
        result.parts = self.parts.files()
        result.arrived = self.segment.arrived
        result.reached = self.before
        result.runs = str(self.runs.path) if self.todo.edges and result.blocks else ""
        if self.todo.folds and self.result.blocks:
            must_be_small(self.todo.folds, result.state)
        result.first_card = next((int(cards[0]) for cards in self.segment.cards if len(cards)), 0)
        tables = self.segment.write(journal_folder(self.worker.work), self.name)
        if self.worker.keeps_parts and sum(map(len, tables.values())) <= _FEW_ROWS:
            result.tables = tables
        return result

    def _tray(self, tray: Tray, arrival: RawTray | None, state: Any) -> None:
        rows = self.segment.arrive(tray.cards)
        self.lacking.clear()
        for step in self.todo.steps:
            tray, rows = self._step(step, tray, rows, arrival)
        if self.todo.scan:
            self.before = join(self.todo.scan, self.before, state)
        self.result.left += len(tray)
        if self.spill is None or not len(tray):
            return
        starts, after = np.array([0, len(tray)]), None
        if self.todo.routes is not None:
            tray, starts = self._route(tray, rows)
        elif self.todo.edges:
            after = self.runs.edges(self.todo.edges.encode(tray), tray.cards)
        elif self.todo.folds:
            after = fold(self.todo.folds, tray)
            self.result.state = join(self.todo.folds, self.result.state, after)
        self.spill.add(tray, starts, after)

    def _route(self, tray: Tray, rows: NDArray[np.intp]) -> tuple[Tray, NDArray[np.int64]]:
        cuts = self.task.cuts
        assert cuts is not None  # noqa: S101 # a pass that routes has cuts
        assert self.todo.routes is not None  # noqa: S101 # asked for by the caller
        routes = cuts.route(self.todo.routes.encode(tray), tray.cards)
        self.result.digest_out = (self.result.digest_out + digest(tray)) % 2**64
        if cuts.ranges > 1:
            narrow = np.uint8 if cuts.ranges <= 256 else np.uint16  # noqa: PLR2004 # a byte
            self.segment.column("range", rows, routes.astype(narrow))
        order, counts = group_by_route(routes, cuts.ranges)
        if cuts.ranges > 1:
            tray = tray.take(order)
        return tray, np.concatenate([[0], np.cumsum(counts)])

    def _step(
        self,
        step: Step,
        tray: Tray,
        rows: NDArray[np.intp],
        arrival: RawTray | None,
    ) -> tuple[Tray, NDArray[np.intp]]:
        tables = self.worker.tables[step.number]
        book = Book(tables=tables, next_added=self.next_added)
        if step.number == 1:
            book.arrival = arrival
        if step.number in self.worker.asking:
            book.lacking = self._lacking(self.worker.asking[step.number], tray)
        out = self._call(step, tray, book)
        settled = check_account(step.label, step.origin, tray, out, book)
        self.next_added = book.next_added
        self.result.count(step.number).add(settled.count)
        for deck, count in by_deck(tray, out, settled):
            self.result.deck_counts.setdefault((step.number, deck), Count()).add(count)
        self._enter(step, book)
        if book.table_rows:
            entered = sealed_rows(book.table_rows, self.plan.personal, self.plan.seal)
            self.parts.add(parts_of(entered, self.worker.recipe.decks))
        kept = rows if settled.kept is None else np.where(settled.kept < 0, -1, rows[settled.kept])
        if book.added:
            kept = self.segment.insert(step.number, out.cards, kept)
        note_changes(step, tray, out, settled.kept, kept, self.segment)
        for gone in book.returned:
            self._keep_gone(step, tray, gone, "returned", out)
        for gone in book.aside:
            self._keep_gone(step, tray, gone, "set-aside", out)
        for master, (cards, records) in book.met_rows.items():
            self._met(step, master, tray, rows, cards, records)
        return out, kept

    def _call(self, step: Step, tray: Tray, book: Book) -> Tray:
        tray.seal()
        if isinstance(step.stage, SinkStage):
            self.parts.add(step.stage.write(tray, book))
            return tray
        return _run(step, tray, book, self.before, self.task.total)

    def _enter(self, step: Step, book: Book) -> None:
        for each in book.entries:
            entry = each
            if step.number == 1 and step.personal:
                entry = replace(each, detail=unquoted(each.detail))
            self.segment.entry(step.number, entry)
            key = (step.number, entry.severity, entry.reason, entry.field, entry.detail)
            self.result.reasons[key] = self.result.reasons.get(key, 0) + len(entry.cards)
        self.result.records.update(book.records)

    def _lacking(self, asking: Asking, tray: Tray) -> pl.DataFrame:
        here = (returned.lack for returned in self.lacking.get(asking.step.number, []))
        return told_of(asking, tray, [self.worker.lack(asking), joined(asking, here)])

    def _keep_gone(self, step: Step, tray: Tray, gone: Gone, fate: str, out: Tray) -> None:
        self.segment.fate(step.number, fate, gone.reason, gone.cards)
        mask = gone.mask if gone.of is tray.cards else is_among(tray.cards, gone.cards)
        rows = np.flatnonzero(mask)
        part = tray.take(rows)
        if fate == "returned" and self.plan.asking:
            self._tell_later(step, with_readings_of(part, out))
        self._write_gone(part, fate)
        if len(part) < len(gone.cards) and gone.tray is not None:  # a stage added them just now
            added = gone.mask & ~is_among(gone.of, tray.cards)
            self._write_gone(gone.tray.keep(added), fate)

    def _write_gone(self, part: Tray, fate: str) -> None:
        native = Tray(part.cards, part.native_text, part.code, part.holes, part.lengths)
        mark = 1 if fate == "returned" else 2
        marks = Values("whole", np.full(len(part), mark, np.int64))
        self.gone.add(native.with_field("fate", marks), np.array([0, len(part)]))

    def _tell_later(self, step: Step, part: Tray) -> None:
        """Tell later group stages of returned cards; those of this pass have whole groups here."""
        inside = {each.number for each in self.todo.steps}
        for asking in self.plan.asking:
            number = asking.step.number
            if number > step.number:
                kept = self.lacking if number in inside else self.result.lacking
                kept.setdefault(number, []).append(returned_for(asking, part))

    def _met(
        self,
        step: Step,
        master: str,
        tray: Tray,
        rows: NDArray[np.intp],
        cards: NDArray[np.int64],
        records: NDArray[np.int64],
    ) -> None:
        if cards is not tray.cards:
            order = np.argsort(tray.cards, kind="stable")
            rows = rows[order[np.searchsorted(tray.cards, cards, sorter=order)]]
        self.segment.column(f"s{step.number}_met", rows, records.astype(np.uint32))
        key = (step.number, master)
        seen = np.unique(records)
        had = self.result.met.get(key)
        self.result.met[key] = seen if had is None else np.union1d(had, seen)

    def _arrivals(self) -> Iterator[Arrival]:
        if self.task.span is not None:
            yield from self._from_deck()
        elif self.todo.sort is not None:
            yield from self._from_range()
        elif self.todo.runs is not None:
            yield from self._from_runs(self.todo.runs)
        else:
            with Gatherer(self.code, self.plan.configs) as gatherer:
                for block in self.task.blocks:
                    yield gatherer.whole(block), None, block.state
            # only this task reads them; gone at once, they need not be written to the disk
            for file in {block.file for block in self.task.blocks}:
                Path(file).unlink()

    def _from_deck(self) -> Iterator[Arrival]:
        deck = self.worker.recipe.decks[self.task.deck]
        assert self.task.span is not None  # noqa: S101 # asked for by the caller
        medium = self.plan.medium_of(deck)
        for raw in medium.read(Path(deck.path), self.task.span, self.worker.recipe.cards_a_tray):
            keep_first_cards(self.worker.work, deck.first + raw.first_card - 1, raw)
            yield self.worker.arriving.tray(raw, deck), raw, None

    def _from_runs(self, keys: KeyPlan) -> Iterator[Arrival]:
        with Gatherer(self.code, self.plan.configs) as gatherer:
            for blocks in whole_runs(self.task.blocks):
                gathered = gatherer.range(blocks)
                most = self.worker.recipe.cards_a_tray
                if len(gathered) <= most:
                    yield gathered, None, None
                    continue
                for start, stop in cut_trays(len(gathered), most, _edges(keys.encode(gathered))):
                    yield gathered.take(np.arange(start, stop)), None, None

    def _from_range(self) -> Iterator[Arrival]:
        blocks = list(self.task.blocks)
        cards = sum(int(block.starts[-1] - block.starts[0]) for block in blocks)
        most = self.worker.recipe.cards_a_range
        if self.todo.groups is None or cards <= most:
            if blocks:
                yield from self._sorted(blocks)
            return
        again = spill_folder(self.worker.work) / f"{self.name}.parted"
        groups = Groups(self.todo.groups, self.plan)
        for part in groups.parted(blocks, most, again):
            yield from self._sorted(part)
        again.unlink()

    def _sorted(self, blocks: list[Block]) -> Iterator[Arrival]:
        """Yield the cards of a range in their order; all of them are in memory at once."""
        sort = self.todo.sort
        assert sort is not None  # noqa: S101 # asked for by the caller
        assert self.todo.keys is not None  # noqa: S101 # a sorted pass has keys
        with Gatherer(self.code, self.plan.configs) as gatherer:
            gathered = gatherer.range(blocks)
        words = self.todo.keys.encode(gathered)
        order = order_of(words)
        edges = None
        if self.todo.groups is not None:
            edges = _edges(self.todo.groups.encode(gathered)[:, order])
        count = self.result.count(sort.number)
        count.arrived += len(gathered)
        for start, stop in cut_trays(len(gathered), self.worker.recipe.cards_a_tray, edges):
            tray = gathered.take(order[start:stop])
            self.result.digest_in = (self.result.digest_in + digest(tray)) % 2**64
            count.left += len(tray)
            yield tray, None, None


def _run(step: Step, tray: Tray, book: Book, before: Any, total: Any) -> Tray:
    """Return what a stage lets go on; before, total: what the scan that begins the pass knows."""
    if isinstance(step.stage, ScanStage):
        return step.stage.run(tray, book, *((before, total) if scan_of(step) else (None, None)))
    assert isinstance(step.stage, TrayStage)  # noqa: S101 # the only other shape that takes trays
    return step.stage.run(tray, book)


def _edges(words: Words) -> NDArray[np.intp]:
    """Return the places (k) at which another key begins."""
    return np.flatnonzero((words[:, 1:] != words[:, :-1]).any(axis=0)) + 1
