"""Cut a deck into spans, and read the records of a fixed size in one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.errors import CutOffDeckError, UnreadableDeckError
from deckwright.plugin.values import Span, Survey


def cut_spans(offsets: NDArray[np.int64], end: int, cards: int, cards_a_span: int) -> list[Span]:
    """Return spans that begin at these offsets (k) of every `cards_a_span`-th card."""
    ends = [*offsets[1:].tolist(), end]
    return [
        Span(index, start, stop - start, first + 1, min(cards_a_span, cards - first))
        for index, (start, stop) in enumerate(zip(offsets.tolist(), ends, strict=True))
        for first in (index * cards_a_span,)
    ]


def survey_records(deck: Path, size: int, width: int, cards_a_span: int) -> Survey:
    """Survey a deck of records of `size` bytes that hold `width` columns.

    Raises:
        UnreadableDeckError: the deck is empty or ends inside a card.
    """
    total = deck.stat().st_size
    if not total:
        raise UnreadableDeckError(str(deck), "holds no cards")
    cards, rest = divmod(total, size)
    if rest:
        what = f"ends inside card {cards + 1}, after {rest} of the {size} bytes of a record"
        raise CutOffDeckError(str(deck), what, _advice(deck, total, size), cards * size, cards)
    offsets = np.arange(0, cards, cards_a_span, dtype=np.int64) * size
    return Survey(cards, width, cut_spans(offsets, total, cards, cards_a_span))


def read_records(
    deck: Path,
    span: Span,
    size: int,
    cards_a_tray: int,
) -> Iterator[tuple[int, bytes]]:
    """Read the records of a span: first card and bytes of up to `cards_a_tray` records at a time.

    Raises:
        UnreadableDeckError: the deck is shorter than at the survey.
    """
    with deck.open("rb", buffering=0) as file:
        file.seek(span.offset)
        for done in range(0, span.cards, cards_a_tray):
            wanted = min(cards_a_tray, span.cards - done) * size
            yield span.first_card + done, read_exactly(file, wanted, deck)


def read_exactly(file: Any, wanted: int, deck: Path) -> bytes:
    """Return the next bytes of an open deck.

    Raises:
        UnreadableDeckError: the deck ends before them.
    """
    parts = []
    while wanted:
        part: bytes = file.read(wanted)
        if not part:
            what = "became shorter while it was read"
            raise UnreadableDeckError(str(deck), what, "run again when nothing writes to it")
        parts.append(part)
        wanted -= len(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _advice(deck: Path, total: int, size: int) -> str:
    with deck.open("rb") as file:
        head = file.read(size + 2)
    if head[size : size + 1] == b"\n" or head[size : size + 2] == b"\r\n":
        return f"its records end with line ends, so read it with kind = 'text' (of {total:,} bytes)"
    said = f"{total:,} bytes do not divide into {size:,}-byte records"
    return f"{said}; check the record length and the copy"
