"""The reading report of a run: `reading.parquet`, `reading.csv`, `reading.html`."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright import (
    SILENT_LIMIT,
    Closing,
    DeckPart,
    PrintedLine,
    ReadingPage,
    ShownCard,
    ShownColumn,
    reading_page,
)
from deckwright_plugins.media.pictures.answers import NO_CARD
from deckwright_plugins.media.pictures.bench import PRINTED, ROWS, SHOWN, WORST

PARQUET, CSV, PAGE, LEFT = "reading.parquet", "reading.csv", "reading.html", "not-read.csv"

_PLACES = (12, 80)
_OF_ODD = 250  # cards on the contact sheet that were not read
_GROUP = 4096
_PIECE = 1 << 20
_DIGITS = 4


@dataclass(slots=True)
class _Sums:
    """What is added up over all cards."""

    states: Counter[str] = field(default_factory=Counter)
    facts: Counter[str] = field(default_factory=Counter)
    answered: int = 0
    no_card: int = 0
    unsure_columns: int = 0
    measured: int = 0
    holes: NDArray[np.float64] = field(default_factory=lambda: np.zeros(_PLACES))
    doubt: NDArray[np.float64] = field(default_factory=lambda: np.zeros(_PLACES))
    unsure: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_PLACES, np.int64))

    def add(self, rows: pl.DataFrame) -> None:
        """Add the cards of a span."""
        self.states.update(rows["state"].to_list())
        self.no_card += int((rows["kind"] == NO_CARD).sum())
        self.answered += int(rows["answered_columns"].sum())
        for row in rows.iter_rows(named=True):
            self.facts.update(_facts(row))
        rows = rows.filter((pl.col("state") != "bad") & pl.col("probability").is_not_null())
        if not rows.height:
            return
        self.unsure_columns += int(rows["unsure_columns"].sum())
        shares = rows["probability"].explode(empty_as_null=False).to_numpy().astype(np.float64)
        shares = shares.reshape(-1, *_PLACES)
        packed = np.frombuffer(b"".join(rows["unsure_places"].to_list()), np.uint8)
        self.measured += rows.height
        self.holes += (shares >= 0.5).sum(axis=0)  # noqa: PLR2004 - the likelier of the two
        self.doubt += np.minimum(shares, 1 - shares).sum(axis=0)
        self.unsure += np.unpackbits(packed).reshape(-1, *_PLACES).sum(axis=0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Notes:
    """The files that the processes left of one deck, in the order of its cards."""

    deck: DeckPart
    files: list[Path]

    def rows(self) -> Iterator[pl.DataFrame]:
        """Yield the rows, span by span, as they are delivered and with what is only added up."""
        for path in self.files:
            yield self._numbered(pl.read_parquet(path))

    def lazily(self) -> pl.LazyFrame:
        """Return the rows without reading them."""
        return self._placed(pl.scan_parquet(self.files, schema=ROWS).drop("unsure_places"))

    def pieces(self) -> Iterator[tuple[Path, pl.DataFrame]]:
        """Yield what is known of the pictures of each span, without the pictures."""
        for path in self.files:
            pictures = path.with_name(path.name.replace(".rows.", ".pieces."))
            frame = pl.read_parquet(pictures, columns=["kind", "card", "state", "margin"])
            yield pictures, frame.with_columns(pl.col("card") + self.deck.first - 1)

    def _numbered(self, rows: pl.DataFrame) -> pl.DataFrame:
        return self._placed(rows.lazy()).collect()

    def _placed(self, rows: pl.LazyFrame) -> pl.LazyFrame:
        numbers = {"card_in_deck": pl.col("card"), "deck": pl.lit(self.deck.name)}
        placed = rows.with_columns(**numbers).with_columns(pl.col("card") + self.deck.first - 1)
        first = ["card", "deck", "card_in_deck"]
        return placed.select(*first, pl.exclude(*first))


def write_report(closing: Closing, files: Sequence[list[Path]]) -> dict[str, int | str]:
    """Write the reading report; return facts for the control sheet.

    Args:
        closing: of the stage that reads.
        files: of each deck the row files of its spans, in the order of its cards.
    """
    notes = [_Notes(deck, found) for deck, found in zip(closing.decks, files, strict=True) if found]
    if not notes:
        return {}
    sums = _Sums()
    closing.write(CSV, _csv(notes, sums))
    closing.write(PARQUET, _parquet(notes, closing.bench.folder))
    chosen = _chosen(notes, several=len(closing.decks) > 1)
    for piece in chosen["card"]:
        if piece["state"] == "bad":  # no hole of it is taken as read, so there is nothing to draw
            closing.show(piece["card"], piece["png"])
    page = _page(chosen, sums, closing.decks)
    closing.write(PAGE, [reading_page(page).encode()])
    return {
        "pictures_read": sums.states["read"],
        "pictures_to_look_at": sums.states["look"],
        "pictures_not_read": sums.states["bad"],
        "columns_unsure": sums.unsure_columns,
        "columns_read_by_a_person": sums.answered,
    }


def write_left(closing: Closing, left: Sequence[tuple[str, str, int, str]]) -> dict[str, int | str]:
    """List the files of the decks that are no pictures; return facts for the control sheet."""
    if not left:
        return {}
    frame = pl.DataFrame(left, schema=["deck", "file", "bytes", "why"], orient="row")
    closing.write(LEFT, [frame.write_csv(line_terminator="\r\n").encode()])
    return {"files_not_read": len(left)}


def _csv(notes: list[_Notes], sums: _Sums) -> Iterator[bytes]:
    first = True
    for note in notes:
        for rows in note.rows():
            sums.add(rows)
            plain = rows.drop("probability", "unsure_places")
            yield plain.write_csv(
                include_header=first, line_terminator="\r\n", float_precision=_DIGITS
            ).encode()
            first = False


def _parquet(notes: list[_Notes], folder: Path) -> Iterator[bytes]:
    path = folder / PARQUET
    rows = pl.concat([note.lazily() for note in notes])
    rows.sink_parquet(path, row_group_size=_GROUP, maintain_order=True, compression="zstd")
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            yield piece
    path.unlink()


def _facts(row: dict[str, Any]) -> list[str]:
    facts = [] if row["turn"] in {None, "upright"} else [f"lying {row['turn']}"]
    if row["kind"] in {"blank", "banner"}:
        facts.append(row["kind"])
    if row["backing"]:
        facts.append(f"{row['backing']} backing")
    return facts + [damage.replace("-", " ") for damage in row["damages"].split(";") if damage]


def _page(
    chosen: dict[str, list[dict[str, Any]]], sums: _Sums, decks: Sequence[DeckPart]
) -> ReadingPage:
    names = ", ".join(deck.name for deck in decks[:3])
    return ReadingPage(
        deck=names + (f" and {len(decks) - 3} more" if len(decks) > 3 else ""),  # noqa: PLR2004
        cards=sums.states.total(),
        read=sums.states["read"],
        look=sums.states["look"],
        bad=sums.states["bad"],
        back=sums.states["look"] + sums.states["bad"] - sums.no_card,
        silent_limit=SILENT_LIMIT,
        facts=tuple(sorted(sums.facts.items(), key=lambda fact: (-fact[1], fact[0]))),
        holes=sums.holes / max(1, sums.measured),
        doubt=sums.doubt / max(1, sums.measured),
        unsure=sums.unsure,
        shown=tuple(
            ShownCard(
                p["card"], p["picture"], p["png"], p["state"], p["said"], p["deck"], p["place"]
            )
            for p in chosen["card"]
        ),
        worst=tuple(
            ShownColumn(
                p["card"],
                p["column"],
                p["picture"],
                p["png"],
                tuple(p["probability"]),
                p["said"],
                tuple(p["unsure"]),
                p["deck"],
                p["place"],
            )
            for p in chosen["column"]
        ),
        printed=tuple(
            PrintedLine(
                p["card"], p["picture"], p["png"], p["said"], p["seen"], p["deck"], p["place"]
            )
            for p in chosen["line"]
        ),
    )


_Found = tuple[float, int, int, Path, int]
"""rank, card, place in the run, file, place in the file"""


def _chosen(notes: list[_Notes], *, several: bool) -> dict[str, list[dict[str, Any]]]:
    """Return the pictures that the page shows, by kind, in the order in which it shows them."""
    found: dict[str, list[_Found]] = {"odd": [], "even": [], "column": [], "line": []}
    decks: dict[Path, DeckPart] = {}
    for note in notes:
        for path, frame in note.pieces():
            decks[path] = note.deck
            for at, (kind, card, state, margin) in enumerate(frame.iter_rows()):
                if kind == "card":
                    kind = "even" if state == "read" else "odd"  # noqa: PLW2901
                found[kind].append((margin or 0.0, card, len(found[kind]), path, at))
            found["column"] = heapq.nsmallest(WORST, found["column"])
    odd = _spread(found["odd"], _OF_ODD)
    cards = sorted(odd + _spread(found["even"], SHOWN - len(odd)), key=lambda one: one[1:3])
    lists = {"card": cards, "column": found["column"], "line": _spread(found["line"], PRINTED)}
    return {kind: _fetched(wanted, decks, several=several) for kind, wanted in lists.items()}


def _spread(found: list[_Found], most: int) -> list[_Found]:
    """Return at most so many, from all across."""
    if len(found) <= most:
        return found
    return [found[at] for at in np.linspace(0, len(found) - 1, most).astype(int).tolist()]


def _fetched(
    wanted: list[_Found], decks: dict[Path, DeckPart], *, several: bool
) -> list[dict[str, Any]]:
    rows: dict[tuple[Path, int], dict[str, Any]] = {}
    places: dict[Path, list[int]] = {}
    for *_, path, at in wanted:
        places.setdefault(path, []).append(at)
    for path, ats in places.items():
        frame = pl.read_parquet(path)[ats]
        deck = decks[path]
        frame = frame.with_columns(
            pl.col("card") + deck.first - 1,
            deck=pl.lit(deck.name if several else ""),
            place=pl.col("card"),
        )
        rows |= {(path, at): row for at, row in zip(ats, frame.to_dicts(), strict=True)}
    return [rows[path, at] for *_, path, at in wanted]
