"""What a process notes of the cards that it reads, for the reading report: one file a span."""

from __future__ import annotations

import heapq
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright import CardReading, column_picture, compare_print, jpeg_of, png_of, upright_card
from deckwright_plugins.media.pictures.answers import COLUMNS, NO_CARD
from deckwright_plugins.media.pictures.desk import Picture, Seen

SHOWN, WORST, PRINTED = 400, 48, 60
"""How many cards, columns and printed lines the reading report shows at most."""

_OF_READ = 150  # cards on the contact sheet that were read well
_WORST_A_SPAN = 12
_WORST_A_CARD = 2
_SURE = 0.45  # of 0.5: columns that are surer than that are not shown
_QUALITY = 70  # of the small pictures

ROWS = pl.Schema(
    {
        "card": pl.Int64(),
        "picture": pl.String(),
        "place": pl.Int32(),
        "state": pl.String(),
        "why": pl.String(),
        "kind": pl.String(),
        "turn": pl.String(),
        "turn_certain": pl.Boolean(),
        "skew": pl.Float32(),
        "ppi": pl.Float32(),
        "stretch": pl.Float32(),
        "backing": pl.String(),
        "contrast": pl.Float32(),
        "noise": pl.Float32(),
        "sharpness": pl.Float32(),
        "holes": pl.Int32(),
        "damages": pl.String(),
        "unsure_columns": pl.Int32(),
        "look_at": pl.String(),
        "answered_columns": pl.Int32(),
        "least_margin": pl.Float32(),
        "probability": pl.List(pl.Float32()),
        "unsure_places": pl.Binary(),
    }
)
"""A card as it was read. `unsure_places` is 120 bytes, a bit for each place from row 12 on."""

PIECES = pl.Schema(
    {
        "kind": pl.String(),
        "card": pl.Int64(),
        "column": pl.Int32(),
        "picture": pl.String(),
        "state": pl.String(),
        "said": pl.String(),
        "seen": pl.String(),
        "png": pl.Binary(),
        "probability": pl.List(pl.Float64()),
        "unsure": pl.List(pl.Boolean()),
        "margin": pl.Float64(),
    }
)
"""A picture for the report. kind: "card", "column" or "line"."""


class SpanNotes:
    """Notes on the cards of one span. cards: how many the whole deck has."""

    def __init__(self, cards: int) -> None:
        self._steps = {"card": max(1, -(-cards // _OF_READ)), "line": max(1, -(-cards // PRINTED))}
        self._rows: list[dict[str, Any]] = []
        self._pieces: list[dict[str, Any]] = []
        self._worst: list[tuple[float, int, dict[str, Any]]] = []

    def add(self, seen: Seen, text: str) -> None:
        """Note a card. text: its characters as punched."""
        self._rows.append(_row(seen))
        if seen.image is None:
            return
        place = seen.card - 1
        if seen.state != "read" or place % self._steps["card"] == 0:
            self._piece("card", seen, seen.why, _thumbnail(seen.image, seen.reading))
        reading = seen.reading
        if reading is None or reading.mapping is None:
            return
        self._columns(seen, seen.image, reading)
        if place % self._steps["line"] == 0 and seen.state == "read":
            line = seen.printed or compare_print(seen.image, reading, text, recognise=False)
            if line.strip is not None:
                png = png_of(_grey(line.strip), colours=16)
                self._piece("line", seen, text, png, line.seen)

    def write(self, folder: Path, name: str) -> None:
        """Write the notes into a work folder; a span that is read again writes the same."""
        pieces = self._pieces + [piece for *_, piece in sorted(self._worst, key=lambda w: w[:2])]
        for kind, frame in (
            ("rows", pl.DataFrame(self._rows, schema=ROWS)),
            ("pieces", pl.DataFrame(pieces, schema=PIECES)),
        ):
            part = folder / f"{name}.{kind}.part"
            frame.write_parquet(part)
            part.replace(folder / f"{name}.{kind}.parquet")

    def _piece(self, kind: str, seen: Seen, said: str, png: bytes, printed: str = "") -> None:
        self._pieces.append(
            {"kind": kind, "card": seen.card, "picture": seen.name, "state": seen.state,
             "said": said, "png": png, "seen": printed}
        )  # fmt: skip

    def _columns(self, seen: Seen, image: Picture, reading: CardReading) -> None:
        """Keep the columns that were nearest to being read otherwise; those of bad cards last."""
        margins = _margins(reading)
        assert reading.mapping is not None  # noqa: S101 # asked for by the caller
        for place in np.argsort(margins, kind="stable")[:_WORST_A_CARD].tolist():
            if margins[place] > _SURE:
                break
            rank = float(margins[place]) + (2.0 if reading.bad else 0.0)
            key = (-rank, -(COLUMNS * seen.card + place))
            if len(self._worst) >= _WORST_A_SPAN and key <= self._worst[0][:2]:
                continue
            column = place + 1
            png = png_of(_grey(column_picture(image, reading.mapping, column, ppi=150)))
            piece = {
                "kind": "column", "card": seen.card, "column": column, "picture": seen.name,
                "state": seen.state, "said": _said(seen, place), "png": png,
                "probability": reading.probability[:, place].astype(np.float64).tolist(),
                "unsure": reading.unsure[:, place].tolist(),
                "margin": rank,
            }  # fmt: skip
            heapq.heappush(self._worst, (*key, piece))
            if len(self._worst) > _WORST_A_SPAN:
                heapq.heappop(self._worst)


def _row(seen: Seen) -> dict[str, Any]:
    row: dict[str, Any] = {
        "card": seen.card, "picture": seen.name, "place": seen.number, "state": seen.state,
        "why": seen.why, "kind": "not read", "damages": seen.odd[0].reason if seen.odd else "",
        "look_at": ";".join(map(str, _left_open(seen))),
        "answered_columns": sum(odd.reason == "read-by-person" for odd in seen.odd),
    }  # fmt: skip
    reading = seen.reading
    if reading is None:
        return row
    facts = reading.facts
    return row | {
        "kind": NO_CARD if seen.taken_out else facts.kind,
        "turn": facts.turn, "turn_certain": facts.turn_certain,
        "skew": facts.skew, "ppi": facts.ppi, "stretch": facts.stretch,
        "backing": facts.backing, "contrast": facts.contrast, "noise": facts.noise,
        "sharpness": facts.sharpness, "holes": facts.holes,
        "damages": ";".join(facts.damages),
        "unsure_columns": int(reading.unsure_columns.sum()),
        "least_margin": float(_margins(reading).min()),
        "probability": reading.probability.ravel().tolist(),
        "unsure_places": np.packbits(reading.unsure).tobytes(),
    }  # fmt: skip


def _left_open(seen: Seen) -> list[int]:
    """Return the columns, from 1, that nobody has read; none where all are asked for alike."""
    if seen.reading is None or seen.reading.bad:
        return []
    return (np.flatnonzero(~seen.known) + 1).tolist()


def _margins(reading: CardReading) -> NDArray[np.float64]:
    """Return float64 (80), how far each column is from being read otherwise; below 0 if unsure."""
    apart = np.abs(reading.probability.astype(np.float64) - 0.5).min(axis=0)
    return np.asarray(np.where(reading.unsure_columns, apart - 1, apart))


def _said(seen: Seen, place: int) -> str:
    assert seen.reading is not None  # noqa: S101 # only of what was read
    if seen.reading.bad:
        return "the card as a whole is not read"
    if seen.reading.unsure_columns[place]:
        return "read by a person" if seen.known[place] else "unsure"
    return "read"


def _thumbnail(image: Picture, reading: CardReading | None) -> bytes:
    if reading is not None and reading.mapping is not None:
        small = upright_card(image, reading.mapping, 36)
    else:
        step = max(1, max(image.shape[:2]) // 240)
        small = np.ascontiguousarray(image[::step, ::step])
    return jpeg_of(small, _QUALITY)


def _grey(image: Picture) -> Picture:
    if image.ndim == 2:  # noqa: PLR2004 - grey already
        return image
    return np.asarray(image.mean(axis=2), np.uint8)
