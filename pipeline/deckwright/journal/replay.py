"""Replay: from the cards as they were read and the journal alone to the cards as delivered."""

from __future__ import annotations

import re

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codetable import Alphabet
from deckwright.journal.columns import span_texts
from deckwright.journal.reader import Journal
from deckwright.journal.sealing import SEALED
from deckwright.layout.personal import BEHIND, CHANGED, Seal

_AFTER = re.compile(rf"^s(\d+)_after_(\d+)_(\d+)({SEALED})?$")


def replay(
    journal: Journal, text: NDArray[np.uint8], alphabet: Alphabet
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Return the cards that the chain delivered, in order, and their images.

    Args:
        journal: the journal of the run.
        text: uint8 (n, L), internal bytes of all cards as they were read; row i is card i + 1.
        alphabet: what the internal bytes stand for.

    Returns:
        Card numbers int64 (k), and text uint8 (k, L) as it is after the last stage. Where that is
        personal the journal has no text: `#` stands there, and `unproved` compares the digests.
    """
    images = text.copy()
    for where, index in journal.tasks():
        rows = journal.rows(where.tasks[index])
        places = journal.cards(where, index) - 1
        for name in sorted(rows.columns, key=_stage_of):
            match = _AFTER.match(name)
            if match:
                after = rows[name]
                if match[4]:
                    images = _wide(images, int(match[3]))
                    changed = np.flatnonzero(after.is_not_null().to_numpy())
                    images[places[changed], int(match[2]) - 1 : int(match[3])] = BEHIND
                    continue
                images = _apply(images, after, places, int(match[2]), int(match[3]), alphabet)
    last = journal.passes[-1]
    pieces = [journal.left(last, index) for index in range(len(last.tasks))]
    cards = np.concatenate(pieces) if pieces else np.zeros(0, np.int64)
    return cards, images[cards - 1]


def unproved(
    journal: Journal,
    cards: NDArray[np.int64],
    images: NDArray[np.uint8],
    alphabet: Alphabet,
    seal: Seal,
) -> list[int]:
    """Return the cards whose personal text is not what the journal's digests say.

    Args:
        journal: the journal of the run.
        cards: int64 (k), numbers of cards that were delivered.
        images: uint8 (k, L), internal bytes of these cards as they were delivered.
        alphabet: what the internal bytes stand for.
        seal: that of the run, made with its key.
    """
    last: dict[tuple[int, int, int], str] = {}
    for where, index in journal.tasks():
        rows = journal.rows(where.tasks[index])
        numbers = journal.cards(where, index).tolist()
        for name in sorted(rows.columns, key=_stage_of):
            match = _AFTER.match(name)
            if match and match[4]:
                span = int(match[2]), int(match[3])
                said = zip(numbers, rows[name].to_list(), strict=True)
                last |= {(card, *span): text for card, text in said if text is not None}
    place = {card: row for row, card in enumerate(cards.tolist())}
    wrong = set()
    for (card, first, end), text in last.items():
        if card in place:
            stands = alphabet.decode(images[place[card], first - 1 : end].tobytes())
            if seal.text(stands) != text.removesuffix(CHANGED):
                wrong.add(card)
    return sorted(wrong)


def _stage_of(name: str) -> int:
    match = _AFTER.match(name)
    return int(match[1]) if match else 0


def _apply(
    images: NDArray[np.uint8],
    after: pl.Series,
    places: NDArray[np.int64],
    first: int,
    last: int,
    alphabet: Alphabet,
) -> NDArray[np.uint8]:
    changed = np.flatnonzero(after.is_not_null().to_numpy())
    images = _wide(images, last)
    texts = span_texts(after.gather(changed), last - first + 1)
    data = alphabet.encode("".join(texts.to_list()))
    images[places[changed], first - 1 : last] = np.frombuffer(data, np.uint8).reshape(
        len(changed), -1
    )
    return images


def _wide(images: NDArray[np.uint8], columns: int) -> NDArray[np.uint8]:
    """Return images with blanks up to so many columns."""
    if images.shape[1] >= columns:
        return images
    wide = np.full((len(images), columns), 32, np.uint8)
    wide[:, : images.shape[1]] = images
    return wide
