"""Reading a deck: a sample from all across it, then every card, in one process or two."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable
from deckwright.errors import DeckwrightError
from deckwright.examine.count.classes import Cells, cells_of
from deckwright.examine.count.counting import CARDS_A_TRAY, Counts, count_spans
from deckwright.examine.count.typecounting import TypeCount
from deckwright.examine.opening.opening import Media
from deckwright.plugin.media import Medium
from deckwright.plugin.values import Span

MOST_LOOKED_AT = 200_000
"""Cards of the sample at most; guesses rest on it, counts do not."""

TWO_PROCESSES = 1_000_000
"""Cards from which a second process helps."""

_SAMPLE_BYTES = 48 * 2**20
_STRETCH = 4_096
_SPAN = 65_536
_SHARE = 0.46  # of the cards for the helper, which must load first


class HelperLostError(DeckwrightError):
    """The second process ended by itself."""

    exit_code = 70

    def __init__(self) -> None:
        super().__init__(
            "the second process ended by itself; it may have run out of memory: examine the deck "
            "where more is free"
        )


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Data cards from all across a deck.

    text: uint8 (n, L), internal bytes. holes: uint16 (n, L) or None. cards: int64 (n), card
    numbers. whole: whether these are all data cards.
    """

    text: NDArray[np.uint8]
    holes: NDArray[np.uint16] | None
    cards: NDArray[np.int64]
    whole: bool

    def rows(self, which: NDArray[np.bool_]) -> Sample:
        """Return some of the cards."""
        holes = None if self.holes is None else self.holes[which]
        return Sample(self.text[which], holes, self.cards[which], self.whole)


@dataclass(slots=True)
class Source:
    """One surveyed deck. offset: cards of the decks before it."""

    path: Path
    options: Mapping[str, object]
    medium: Medium[Any]
    spans: list[Span]
    cards: int
    width: int
    offset: int


def survey(
    paths: Sequence[Path], options: Sequence[Mapping[str, object]], media: Media
) -> list[Source]:
    """Count the cards of decks, stacked in this order.

    Raises:
        UnreadableDeckError: the bytes of one do not make whole cards.
    """
    sources: list[Source] = []
    offset = 0
    for path, table in zip(paths, options, strict=True):
        medium = media.medium(table)
        found = medium.survey(path, _SPAN)
        sources.append(Source(path, table, medium, found.spans, found.cards, found.width, offset))
        offset += found.cards
    return sources


def take_sample(sources: Sequence[Source], code: CodeTable) -> tuple[Sample, Counts]:
    """Return data cards from all across the decks, and the counts of the cards that were read."""
    width = sources[0].width
    most = max(_STRETCH, min(MOST_LOOKED_AT, _SAMPLE_BYTES // (3 * width)))
    total = sum(source.cards for source in sources)
    spans = [(source, span) for source in sources for span in source.spans]
    whole = total <= most
    if not whole:
        wanted = max(1, most // _STRETCH)
        places = np.unique(np.linspace(0, len(spans) - 1, wanted).astype(int))
        spans = [spans[place] for place in places]
    texts, holes, numbers = [], [], []
    counts: Counts | None = None
    left = most
    for place, (source, span) in enumerate(spans):
        share = span.cards if whole else min(span.cards, left // (len(spans) - place))
        for tray in source.medium.read(source.path, span, max(1, share)):
            if counts is None:
                counts = Counts.of(cells_of(code, holes=tray.holes is not None), width)
            data = counts.add(tray, source.offset)
            rows = np.flatnonzero(data)
            texts.append(tray.text[rows])
            numbers.append(rows + (tray.first_card + source.offset))
            if tray.holes is not None:
                holes.append(tray.holes[rows])
            left -= len(tray.text)
            if not whole:
                break
    return _joined(texts, holes, numbers, whole=whole), counts or Counts.of(
        cells_of(code, holes=False), width
    )


def count_all(
    sources: Sequence[Source],
    cells: Cells,
    running: Sequence[tuple[int, int]],
    types: TypeCount | None = None,
) -> Counts:
    """Count every card of the decks, in two processes where that pays.

    Args:
        sources: the decks.
        cells: how cells are counted.
        running: columns (from 1) of running numbers, which are followed.
        types: counts of nothing yet, of the types of cards.
    """
    width = sources[0].width
    spans = [(number, span) for number, source in enumerate(sources) for span in source.spans]
    total = sum(span.cards for _, span in spans)
    counts = Counts.of(cells, width, running)
    counts.types = types
    cores = len(os.sched_getaffinity(0))
    if total < TWO_PROCESSES or cores == 1:
        _count(sources, spans, counts)
        return counts
    border = round(len(spans) * (1 - _SHARE))
    context = get_context("spawn")
    ours, theirs = context.Pipe()
    tables = [(source.path, dict(source.options), source.offset) for source in sources]
    process = context.Process(
        target=_serve,
        args=(theirs, tables, spans[border:], width, list(running), types),
        daemon=True,
    )
    process.start()
    theirs.close()
    try:
        _count(sources, spans[:border], counts)
        counts.merge(_received(ours))
    finally:
        process.kill()
        process.join()
        ours.close()
    return counts


def _received(pipe: Any) -> Counts:
    try:
        answer = pipe.recv()
    except EOFError as error:
        raise HelperLostError from error
    if isinstance(answer, BaseException):
        raise answer
    assert isinstance(answer, Counts)  # noqa: S101 # what _serve sends
    return answer


def _serve(
    pipe: Any,
    tables: list[tuple[Path, dict[str, object], int]],
    spans: list[tuple[int, Span]],
    width: int,
    running: list[tuple[int, int]],
    types: TypeCount | None,
) -> None:
    """Count spans in a helper."""
    try:
        media = Media()
        sources = []
        for path, table, offset in tables:
            medium = media.medium(table)
            sources.append(Source(path, table, medium, [], 0, width, offset))
        counts = Counts.of(_cells(sources, spans), width, running)
        counts.types = types
        _count(sources, spans, counts)
        pipe.send(counts)
    except Exception as error:  # noqa: BLE001 # raised again in the main process
        pipe.send(error)


def _cells(sources: Sequence[Source], spans: list[tuple[int, Span]]) -> Cells:
    number, span = spans[0]
    source = sources[number]
    tray = next(iter(source.medium.read(source.path, span, 1)))
    return cells_of(source.medium.code, holes=tray.holes is not None)


def _count(sources: Sequence[Source], spans: list[tuple[int, Span]], counts: Counts) -> None:
    for number, span in spans:
        source = sources[number]
        count_spans(source.medium, source.path, [span], source.offset, counts)


def _joined(
    texts: list[NDArray[np.uint8]],
    holes: list[NDArray[np.uint16]],
    numbers: list[NDArray[np.int64]],
    *,
    whole: bool,
) -> Sample:
    return Sample(
        np.concatenate(texts),
        np.concatenate(holes) if holes else None,
        np.concatenate(numbers),
        whole,
    )


__all__ = ["CARDS_A_TRAY", "Sample", "Source", "count_all", "survey", "take_sample"]
