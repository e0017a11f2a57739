"""Decks that end inside a card: their whole cards, so that they can be looked at all the same."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

from deckwright.errors import CutOffDeckError
from deckwright.wording import plural

Found = TypeVar("Found")


def of_whole_cards(
    decks: Sequence[Path], look: Callable[[list[Path]], Found]
) -> tuple[Found, list[str]]:
    """Return what is found in decks, and a warning for each that ends inside a card.

    Such a deck is looked at as if it ended with its last whole card; it is never changed.

    Args:
        decks: the files.
        look: looks at files in the place of these.

    Raises:
        CutOffDeckError: no card of a deck is whole, or it lies within another file.
    """
    paths = list(decks)
    warnings: list[str] = []
    with TemporaryDirectory(prefix="deckwright-whole-") as room:
        for number in range(len(paths) + 1):
            try:
                return look(paths), warnings
            except CutOffDeckError as error:
                place = next((n for n, path in enumerate(paths) if str(path) == error.deck), None)
                if place is None or not error.cards:
                    raise
                deck = paths[place]
                folder = Path(room) / str(number)
                folder.mkdir()
                paths[place] = _cut(deck, folder / deck.name, error.whole)
                warnings.append(
                    f"{deck.name} {error.what}; its {plural(error.cards, 'whole card')} "
                    f"{'is' if error.cards == 1 else 'are'} shown"
                )
    raise AssertionError  # each round makes one deck whole


def _cut(deck: Path, copy: Path, size: int) -> Path:
    with deck.open("rb") as source, copy.open("xb") as target:
        shutil.copyfileobj(source, target)
        target.truncate(size)
    return copy
