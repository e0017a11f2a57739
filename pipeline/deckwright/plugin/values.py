"""Values that stages, media and the engine hand to each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a deck that holds whole cards: byte offset and size, first card (from 1)."""

    index: int
    offset: int
    size: int
    first_card: int
    cards: int


@dataclass(frozen=True, slots=True)
class Survey:
    """What is known of a deck before it is read: cards in all, columns a record, its spans."""

    cards: int
    width: int
    spans: list[Span]


@dataclass(frozen=True, slots=True)
class DeckPart:
    """A deck of the run. first: number of its first card, cards being numbered through.

    of: the named deck of the job that it is, and file what its file is called; both are empty in a
    job of one deck. width: columns of a record.
    """

    name: str
    path: str
    first: int
    cards: int
    of: str = ""
    file: str = ""
    width: int = 0

    @property
    def returned(self) -> str:
        """What cards that come back of it are called: as its file, so that they can be dropped."""
        return self.file or self.name


@dataclass(frozen=True, slots=True)
class OddCards:
    """Something odd about k cards of a tray as the medium delivers it.

    rows: int (k), places in the tray from 0. reason: short code, kebab-case. detail: one sentence.
    columns: int (k), first odd column from 1. severity: a fatal card is returned, a note is kept
    and listed, one that is no data is set aside. records: the whole original record (without its
    line end) of each row, where text and length cannot give it back.
    """

    rows: NDArray[np.intp]
    reason: str
    detail: str
    columns: NDArray[np.intp] | None = None
    severity: Literal["fatal", "note", "aside"] = "fatal"
    records: list[bytes] | None = None


@dataclass(frozen=True, slots=True)
class RawTray:
    """Cards as a medium delivers them.

    text: uint8 (n, L), internal bytes. holes: uint16 (n, L), where the medium has them. lengths:
    uint16 (n), columns that each record really had; None when all were full.
    """

    first_card: int
    text: NDArray[np.uint8]
    holes: NDArray[np.uint16] | None
    lengths: NDArray[np.uint16] | None
    odd: list[OddCards]


@dataclass(frozen=True, slots=True)
class Bench:
    """A stage's own place for work files during one run. memory: bytes that it may take."""

    place: Path
    memory: int

    @property
    def folder(self) -> Path:
        """The folder of the place, made when it is first asked for: few stages keep anything."""
        self.place.mkdir(parents=True, exist_ok=True)
        return self.place


def _show_nothing(card: int, picture: bytes) -> None:
    """Show no picture of a card."""


def _enter_nothing(table: str, columns: Mapping[str, Any]) -> None:
    """Enter no row."""


RunSeverity = Literal["fatal", "query", "note"]


def _find_nothing(reason: str, detail: str, severity: RunSeverity) -> None:
    """Find no fault."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of an output file. cards: int64 (rows), None = every card of the tray, in order."""

    file: str
    data: bytes | memoryview
    rows: int
    cards: np.ndarray[Any, np.dtype[np.int64]] | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """A file in the folder `out` of a run.

    name: its path in `out`. path: where it lies while the run is closed. stage: the label of the
    stage that brought it, such as `stage 3 (emit)`. form: what it is in a word, "" = not said.
    rows: None for a file beside the deliveries, such as a schema. schema: its table schema, {} =
    none.
    """

    name: str
    path: Path
    stage: str
    form: str
    rows: int | None
    size: int
    sha256: str
    schema: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Closing:
    """What is known when all cards have gone through: for `finish`.

    met: for each master, bool (records + 1): which records some card met. write: a file beside the
    deliveries, from its name, in sub-folders too (`a/b.csv`), and its bytes piece by piece. decks:
    in their order. deliver: a delivery that is only known now, from its stretches in order; their
    rows are counted. show: a small picture, PNG or JPEG, of a card by its number in the run, for
    pages about returned cards. deliveries: what lies in `out` by now, by name; only for a
    `FinishStage`. rows: rows of a table of the stage that belong to no card, from its name and its
    columns; they stand after all others. fault: something that is wrong with the run as a whole,
    from a reason in kebab-case and one sentence: with severity "fatal" nothing is delivered, else
    ("query", "note") the control sheet says it.
    """

    bench: Bench
    tallies: Mapping[str, int]
    met: Mapping[str, np.ndarray[Any, np.dtype[np.bool_]]]
    write: Callable[[str, Iterable[bytes]], None]
    cards: int
    decks: Sequence[DeckPart] = ()
    deliver: Callable[[Iterable[Part]], object] = list
    show: Callable[[int, bytes], object] = _show_nothing
    deliveries: Sequence[Delivery] = ()
    rows: Callable[[str, Mapping[str, Any]], object] = _enter_nothing
    fault: Callable[[str, str, RunSeverity], object] = _find_nothing
