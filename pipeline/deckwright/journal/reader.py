"""Reading the journal of a run: what happened to a card, or to all of them."""

from __future__ import annotations

import json
from bisect import bisect
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.errors import DeckwrightError
from deckwright.journal.tables import SCHEMAS
from deckwright.wording import nearest, plural

Event = dict[str, Any]
SCHEMA = 1
PASS_SHIFT, TASK_SHIFT, TASK_MASK = 44, 24, 0xFFFFF
"""How the number of an added card tells the pass and the task that added it."""


class RunFolderError(DeckwrightError):
    """A folder is not a run folder, or not one that this version reads."""

    exit_code = 2

    def __init__(self, folder: Path, what: str) -> None:
        self.folder = folder
        super().__init__(f"{folder}: {what}")


class NoSuchCardError(DeckwrightError):
    """The run has no such card or line."""

    exit_code = 2

    def __init__(self, what: str) -> None:
        super().__init__(what)


@dataclass(frozen=True, slots=True)
class TaskEntry:
    """One task of a pass: its name in the journal, its cards."""

    name: str
    first_card: int
    arrived: int
    left: int
    place: int


@dataclass(frozen=True, slots=True)
class PassEntry:
    """One pass. sort: number of the stage whose order it is in, 0 = order of arrival."""

    number: int
    stages: tuple[int, ...]
    sort: int
    resumes: bool
    tasks: tuple[TaskEntry, ...]


_NO_ROWS = pl.DataFrame()
_EMPTY = {part: pl.DataFrame(schema=schema) for part, schema in SCHEMAS.items()}


class Journal:
    """The journal of one run folder."""

    def __init__(self, run: Path, held: Mapping[str, pl.DataFrame] | None = None) -> None:
        """Open a run folder.

        Args:
            run: the folder.
            held: what its tables hold, by file name, if that is in memory: none is read then.

        Raises:
            RunFolderError: it is none, or of another version.
        """
        path = run / "journal" / "journal.json"
        if not path.is_file():
            raise RunFolderError(
                run, "is not a run folder; it holds no journal; name the folder that --out made"
            )
        try:
            self.index = json.loads(path.read_text(encoding="utf-8"))
            schema = self.index["schema"]
        except (ValueError, KeyError, TypeError) as error:
            raise RunFolderError(run, "has a damaged journal; its index cannot be read") from error
        if schema != SCHEMA:
            raise RunFolderError(run, f"has a journal of schema {schema}, not {SCHEMA}")
        self.run, self._held = run, held
        try:
            self.stages = {int(stage["number"]): stage for stage in self.index["stages"]}
            self.passes = [_pass_entry(entry) for entry in self.index["passes"]]
        except (ValueError, KeyError, TypeError) as error:
            raise RunFolderError(run, "has a damaged journal; its index is incomplete") from error

    @property
    def count(self) -> int:
        """Return the number of cards that the run read."""
        return sum(int(deck["cards"]) for deck in self.index["decks"])

    def deck_of(self, card: int) -> tuple[str, int]:
        """Return the deck that a card came in, and its place there (from 1).

        A card that a stage added came in none: "" and 0.

        Raises:
            NoSuchCardError: the run has no such card.
        """
        for deck in reversed(self.index["decks"]):
            if deck["first_card"] <= card < deck["first_card"] + deck["cards"]:
                return deck["name"], card - deck["first_card"] + 1
        if self.added_in(card):
            return "", 0
        msg = f"there is no card {card}; the run has cards 1 to {self.count}"
        raise NoSuchCardError(msg)

    def place_of(self, card: int) -> Event:
        """Return the card's deck and its number there, where the run has several decks.

        A card that a stage added lies in none.
        """
        decks = self.index["decks"]
        if len(decks) == 1:
            return {}
        deck = decks[bisect(decks, card, key=lambda one: int(one["first_card"])) - 1]
        number = card - int(deck["first_card"]) + 1
        inside = number <= deck["cards"]
        return {"deck": deck["name"], "card_in_deck": number} if inside else {}

    def added_in(self, card: int) -> tuple[int, int] | None:
        """Return the pass (from 1) and task (from 0) that added a card; None for no such card."""
        number = card - int(self.index["added_base"])
        where, index = number >> PASS_SHIFT, (number >> TASK_SHIFT) & TASK_MASK
        if not 1 <= where <= len(self.passes) or index >= len(self.passes[where - 1].tasks):
            return None
        added = self.table(self.passes[where - 1].tasks[index], "fates")
        known = added.filter((pl.col("fate") == "added") & (pl.col("card") == card))
        return (where, index) if known.height else None

    def card_in(self, deck: str, card: int) -> int:
        """Return the card number in the run of a card of one of its decks.

        Raises:
            NoSuchCardError: there is no such deck or card.
        """
        for entry in self.index["decks"]:
            if entry["name"] == deck and 1 <= card <= entry["cards"]:
                return int(entry["first_card"] + card - 1)
        decks = {entry["name"]: int(entry["cards"]) for entry in self.index["decks"]}
        if deck in decks:
            msg = f"there is no card {card:,} of {deck!r}; it has {plural(decks[deck], 'card')}"
        else:
            msg = f"there is no deck {deck!r} in this run; {nearest(deck, decks)}"
        raise NoSuchCardError(msg)

    def rows(self, task: TaskEntry, columns: list[str] | None = None) -> pl.DataFrame:
        """Return the rows of a task's segment: a row a card in the order in which they came."""
        name = f"{task.name}.rows.parquet"
        if self._held is not None:
            held = self._held.get(name, _NO_ROWS)
            return held if columns is None else held.select(columns)
        path = self.run / "journal" / name
        if not path.is_file():
            return _NO_ROWS
        return pl.read_parquet(path, columns=columns)

    def cards(
        self, where: PassEntry, index: int, rows: pl.DataFrame | None = None
    ) -> NDArray[np.int64]:
        """Return the card number of each row of a task's segment; rows: what `rows` has given."""
        task = where.tasks[index]
        if rows is None and self._held is not None:
            rows = self.rows(task)
        if rows is None:
            path = self.run / "journal" / f"{task.name}.rows.parquet"
            there = path.is_file() and "card" in pl.read_parquet_schema(path)
            rows = pl.read_parquet(path, columns=["card"]) if there else _NO_ROWS
        if "card" in rows.columns:
            return rows["card"].cast(pl.Int64).to_numpy()
        if where.resumes:
            return self._resumed(where, index)
        return np.arange(task.first_card, task.first_card + task.arrived, dtype=np.int64)

    def _resumed(self, where: PassEntry, index: int) -> NDArray[np.int64]:
        """Return the cards of a task that goes on with what the pass before left, in order."""
        before = self.passes[where.number - 2]
        starts, stops = goes_on(before), arrives(where)
        start, stop = int(stops[index]), int(stops[index + 1])
        pieces = [np.zeros(0, np.int64)]
        for at in range(len(before.tasks)):
            first, after = int(starts[at]), int(starts[at + 1])
            if first < stop and start < after:
                left = self.left(before, at)
                pieces.append(left[max(0, start - first) : stop - first])
        return np.concatenate(pieces)

    def left(self, where: PassEntry, index: int) -> NDArray[np.int64]:
        """Return the cards that went on from a task, in order."""
        return self.at_stage(where, index, max(where.stages, default=0) + 1)

    def at_stage(self, where: PassEntry, index: int, stage: int) -> NDArray[np.int64]:
        """Return the cards of a task that reached one of its stages, in order."""
        cards = self.cards(where, index)
        fates = self.table(where.tasks[index], "fates")
        if not fates.height:
            return cards
        later = (pl.col("fate") == "added") == (pl.col("stage") >= stage)
        away = fates.filter(later)["card"].to_numpy()
        return cards[~np.isin(cards, away)] if len(away) else cards

    def table(self, task: TaskEntry, part: str) -> pl.DataFrame:
        """Return what a task wrote of its cards: `entries` (reasons) or `fates` (who left)."""
        name = f"{task.name}.{part}.parquet"
        if self._held is not None:
            return self._held.get(name, _EMPTY[part])
        path = self.run / "journal" / name
        return pl.read_parquet(path) if path.is_file() else _EMPTY[part]

    @cached_property
    def entries(self) -> pl.DataFrame:
        """Every reason that a stage gave: card, stage, severity, reason, field, columns, found."""
        tables = [self.table(where.tasks[index], "entries") for where, index in self.tasks()]
        return pl.concat(tables) if tables else pl.DataFrame(schema=SCHEMAS["entries"])

    def output_cards(self, file: str) -> NDArray[np.int64]:
        """Return the card of each line of an output, in the order of its lines.

        Raises:
            NoSuchCardError: the run has no such output.
        """
        found = next((o for o in self.index["outputs"] if o["file"] == file), None)
        if found is None:
            names = ", ".join(o["file"] for o in self.index["outputs"])
            msg = f"the run has no output {file!r}; it has: {names}"
            raise NoSuchCardError(msg)
        where = self.passes[int(found["pass"]) - 1]
        pieces = [self._part_cards(where, index, file, found) for index in range(len(where.tasks))]
        return np.concatenate(pieces) if pieces else np.zeros(0, np.int64)

    def output_card(self, file: str, line: int) -> int:
        """Return the card of one line (from 1, headings counted) of an output.

        Raises:
            NoSuchCardError: there is no such output or line.
        """
        found = next((o for o in self.index["outputs"] if o["file"] == file), None)
        row = line - 1 - (int(found["head_lines"]) if found else 0)
        if found is not None and row >= 0:
            where = self.passes[int(found["pass"]) - 1]
            for index, rows in enumerate(found["rows"]):
                if row < rows:
                    return int(self._part_cards(where, index, file, found)[row])
                row -= rows
        elif found is not None and line >= 1:
            msg = f"line {line} of {file!r} is its heading"
            raise NoSuchCardError(msg)
        else:
            self.output_cards(file)
        if found is not None and row < found.get("of_no_card", 0):
            msg = f"line {line:,} of {file!r} belongs to no card: it was written after the last one"
            raise NoSuchCardError(msg)
        rows = sum(found["rows"]) + found.get("of_no_card", 0) if found else 0
        lines = int(found["head_lines"]) + rows if found else 0
        msg = f"output {file!r} has no line {line:,}; it has {plural(lines, 'line')}"
        raise NoSuchCardError(msg)

    def _part_cards(
        self, where: PassEntry, index: int, file: str, found: dict[str, Any]
    ) -> NDArray[np.int64]:
        if not found["rows"][index]:
            return np.zeros(0, np.int64)
        task = where.tasks[index]
        path = self.run / "journal" / f"{task.name}.lines-{file}.parquet"
        if path.is_file():
            return pl.read_parquet(path)["card"].cast(pl.Int64).to_numpy()
        return self.at_stage(where, index, int(found["stage"]))

    def tasks(self) -> Iterator[tuple[PassEntry, int]]:
        """Yield every task of every pass."""
        for where in self.passes:
            for index in range(len(where.tasks)):
                yield where, index


def goes_on(where: PassEntry) -> NDArray[np.int64]:
    """Return int64 (tasks + 1): cards that earlier tasks of a pass left, before each and in all."""
    return np.concatenate([[0], np.cumsum([task.left for task in where.tasks], dtype=np.int64)])


def arrives(where: PassEntry) -> NDArray[np.int64]:
    """Return int64 (tasks + 1): cards that came to earlier tasks of a pass, before each, in all."""
    return np.concatenate([[0], np.cumsum([task.arrived for task in where.tasks], dtype=np.int64)])


def _pass_entry(entry: dict[str, Any]) -> PassEntry:
    tasks = tuple(TaskEntry(**task) for task in entry["tasks"])
    stages = tuple(entry["stages"])
    return PassEntry(entry["number"], stages, entry["sort"], entry["resumes"], tasks)
