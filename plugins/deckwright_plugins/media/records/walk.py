"""Going through a deck of records of unequal lengths, stretch by stretch."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from typing_extensions import override

from deckwright import OddCards, UnreadableDeckError, read_exactly
from deckwright_plugins.media.records.labels import Labels
from deckwright_plugins.media.records.scan import BadDescriptorError, Found, find_records

_STEP = 1 << 20
_FIRST = np.zeros(1, np.intp)


class Walk(ABC):
    """Finds the records of one deck, stretch by stretch; keeps what reaches over a seam.

    Attributes:
        place: bytes gone through, from `labels.start` of the deck on.
        blocks: blocks gone through; None where the walk began inside a deck.
    """

    overlaps = False
    """Whether the last record of a span may end behind it."""

    def __init__(self, place: int = 0) -> None:
        self.place = place
        self.blocks: int | None = None if place else 0

    @abstractmethod
    def find(self, data: bytes) -> Found:
        """Find the whole records of data that goes on where the last stretch was used up.

        Raises:
            BadDescriptorError: what should say a length does not.
        """

    def took(self, found: Found) -> Found:
        """Count what was found as gone through."""
        self.place += found.used
        if self.blocks is not None:
            self.blocks += len(found.blocks)
        return found

    def unfinished(self) -> str:
        """Return what is still open when the deck is at its end, or nothing."""
        return ""

    def remarks(self) -> Iterator[OddCards]:
        """Yield what was no part of any card, as notes on the first card."""
        yield from ()


class WordWalk(Walk):
    """Goes through records that have descriptor words, in blocks or not."""

    def __init__(self, place: int = 0, *, blocked: bool) -> None:
        super().__init__(place)
        self._blocked = blocked

    @override
    def find(self, data: bytes) -> Found:
        return self.took(find_records(data, blocked=self._blocked))


def scan(deck: Path, labels: Labels, walk: Walk) -> Iterator[tuple[int, Found]]:
    """Go through a deck: byte offset of a stretch, and the records in it.

    Raises:
        UnreadableDeckError: what says a length is wrong, or the deck ends inside a card.
    """
    offset, cards, carry = labels.start, 0, b""
    with deck.open("rb", buffering=0) as file:
        file.seek(labels.start)
        while offset < labels.end:
            wanted = min(_STEP, labels.end - offset - len(carry))
            data = carry + read_exactly(file, wanted, deck)
            found = found_in(deck, walk, data, offset, cards)
            if found.used:
                yield offset, found
            elif not wanted:
                what = f"ends inside card {cards + 1}, whose record begins at byte {offset:,}"
                remedy = "check the copy, and whether labels follow the cards"
                raise UnreadableDeckError(str(deck), what, remedy)
            cards, offset = cards + len(found.starts), offset + found.used
            carry = data[found.used :]
    if said := walk.unfinished():
        what = f"ends inside card {cards + 1}: {said}"
        raise UnreadableDeckError(str(deck), what, "check the copy, and whether a volume follows")


def found_in(deck: Path, walk: Walk, data: bytes, offset: int, cards: int) -> Found:
    """Find the records of data that begins at a byte of a deck, behind so many cards.

    Raises:
        UnreadableDeckError: what says a length is wrong.
    """
    try:
        return walk.find(data)
    except BadDescriptorError as error:
        at = offset + error.offset
        named = []
        if error.block is not None and walk.blocks is not None:
            named.append(f"block {walk.blocks + error.block + 1}")
        if error.of_record:
            named.append(f"card {cards + error.records + 1}")
        where = f"at byte {at:,}" + (f" ({', '.join(named)})" if named else "")
        remedy = "check form, labels and the copy; records of one length are kind = 'blocks'"
        what = f"cannot be followed {where}: {error.what}"
        raise UnreadableDeckError(str(deck), what, remedy) from error


def facts(labels: Labels) -> Iterator[OddCards]:
    """Yield what the labels say, as notes on the first card."""
    for sentence in labels.sentences():
        yield OddCards(_FIRST, "label", sentence, severity="note")
    if not labels.head:
        detail = "the deck begins without labels, so it was read whole"
        yield OddCards(_FIRST, "no-labels", detail, severity="note")
    elif not labels.tail:
        detail = "the deck has header labels and no label EOF1, so it may be cut short"
        yield OddCards(_FIRST, "no-end-label", detail, severity="note")
    elif labels.tail[0].startswith("EOV1"):
        detail = "the label EOV1 says that the file goes on on a further volume"
        yield OddCards(_FIRST, "volume-ends", detail, severity="note")
