"""Personal text: what stands in its place wherever it must not be seen."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

KEPT_BACK = "#kept-back"
"""Stands for personal text in a run without a key."""

KEPT_BACK_NOTE = "# stands for text that is kept back, since it is or may be personal"

CHANGED = " (changed)"
"""Follows what stands for a text that was changed where that cannot be seen by itself."""

DIGITS = 16
"""Hexadecimal digits of a digest: of 1,000,000 different texts some two agree in 1 of 37 million
runs, and a clerk can still compare it by eye."""

BEHIND = ord("#")
"""Stands in each masked column of a card that is shown."""

_BLANK = ord(" ")

Spans = Sequence[tuple[int, int]]
"""First and last columns, from 1."""


@dataclass(frozen=True, slots=True)
class Seal:
    """Turns personal text into digests by the key of a run; without one into one and the same mask.

    The same text, blanks at its ends apart, gives the same digest within a run.
    """

    key: bytes = field(default=b"", repr=False)

    def text(self, text: str) -> str:
        """Return what stands for a text; a blank one stands for itself."""
        bare = text.strip(" \0")
        if not bare:
            return text
        if not self.key:
            return KEPT_BACK
        return "#" + hmac.digest(self.key, bare.encode(), hashlib.sha256).hex()[:DIGITS]

    def texts(self, texts: pl.Series) -> pl.Series:
        """Return what stands for each text (n), null for null; each different one is made once."""
        found = texts.cast(pl.String)
        different = found.drop_nulls().unique()
        made = pl.Series([self.text(each) for each in different], dtype=pl.String)
        return found.replace_strict(different, made, default=None, return_dtype=pl.String)

    def changed(self, before: pl.Series, after: pl.Series) -> pl.Series:
        """Return what stands for texts (n) after a change, so that the change can be seen.

        A digest tells no change of blanks, and a mask none at all: there it is said in words.
        """
        old, new = self.texts(before), self.texts(after)
        unseen = (old.eq_missing(new) & before.ne_missing(after)) & new.is_not_null()
        return new.zip_with(~unseen, new + CHANGED)


@dataclass(frozen=True, slots=True)
class Personal:
    """What is personal at a stage: fields, and columns of the cards that come and that go on."""

    names: frozenset[str] = frozenset()
    before: tuple[tuple[int, int], ...] = ()
    after: tuple[tuple[int, int], ...] = ()

    def __bool__(self) -> bool:
        return bool(self.names)

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """Columns that are personal before or after the stage."""
        return tuple(dict.fromkeys((*self.before, *self.after)))


def touches(first: int, last: int, spans: Iterable[tuple[int, int]]) -> bool:
    """Return whether columns first to last have one in common with some others."""
    return any(first <= end and start <= last for start, end in spans)


_SLIPPED = ("shifted", "unknown-card-type")


def out_of_place(entries: pl.DataFrame) -> pl.Series:
    """Return the cards, int64, of which reasons say that their fields may stand elsewhere.

    Those are cards of no known type, slipped ones, cards with a fault of no field, such as a record
    too short, and cards with several fields that fail for themselves. Nothing of them is shown.

    Args:
        entries: reasons, as the journal holds them.
    """
    slipped = pl.col("reason").is_in(_SLIPPED) | (pl.col("field") == "")
    alone = (pl.col("severity") == "fatal") & ~pl.col("reason").str.starts_with("rule:")
    return (
        entries.group_by("card")
        .agg(odd=slipped.any() | (pl.col("field").filter(alone).n_unique() > 1))
        .filter("odd")["card"]
    )


def masked(
    text: NDArray[np.uint8], holes: NDArray[np.uint16] | None, spans: Spans | None
) -> tuple[NDArray[np.uint8], NDArray[np.uint16] | None, NDArray[np.bool_]]:
    """Return one card, (L), with blanks and no holes in personal columns, and which these are.

    Columns that are blank all together stay as they are, so that a missing text can be seen; of any
    other not even the length shows.

    Args:
        text: internal bytes.
        holes: patterns, where the medium has them.
        spans: the columns; None = all.
    """
    behind = np.zeros(len(text), np.bool_)
    for first, last in [(1, len(text))] if spans is None else spans:
        place = slice(first - 1, last)
        bare = (text[place] == _BLANK).all() and (holes is None or not holes[place].any())
        behind[place] |= not bare
    text = np.where(behind, _BLANK, text).astype(np.uint8)
    return text, None if holes is None else np.where(behind, 0, holes).astype(np.uint16), behind


def over(printed: str, behind: NDArray[np.bool_]) -> str:
    """Return the printed line of a card with `#` over each column, bool (L), that is masked."""
    signs = zip(printed, behind.tolist(), strict=False)  # cards are drawn to column 80
    return "".join(chr(BEHIND) if hidden else sign for sign, hidden in signs)
