"""What groups lack: cards of theirs that earlier stages returned, counted and added up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.values import Values
from deckwright.engine.planning.asking import Asking
from deckwright.engine.planning.sortkeys import Words, order_of
from deckwright.layout.expressions import series
from deckwright.layout.tray import Tray

Amounts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Lack:
    """Returned cards, or groups of them. words: uint64 (words, k) keys of their groups.

    amounts: int64 (1 + sums, k), how many cards, and each sum in units of its field's scale.
    """

    words: Words
    amounts: Amounts

    def by_group(self) -> Lack:
        """Return one entry for each group, in the order of the keys."""
        order = order_of(self.words)
        words, amounts = self.words[:, order], self.amounts[:, order]
        if not len(order):
            return self
        starts = np.flatnonzero(
            np.concatenate([[True], (words[:, 1:] != words[:, :-1]).any(axis=0)])
        )
        return Lack(words[:, starts], np.add.reduceat(amounts, starts, axis=1))


@dataclass(frozen=True, slots=True)
class Returned:
    """Cards that a stage returned, as a later group stage asks for them.

    lack: those whose key could be read. cards: int64 (k), the others; amounts: theirs.
    """

    lack: Lack
    cards: NDArray[np.int64]
    amounts: Amounts


def returned_for(asking: Asking, part: Tray) -> Returned:
    """Return what a group stage is told of cards that are returned now, with what is known here."""
    there = set(part.names)
    amounts = [np.ones(len(part), np.int64)]
    for name, shape in asking.sums.items():
        values = part.values(name) if name in there else None
        if values is None or (values.kind, values.scale) != (shape.kind, shape.scale):
            amounts.append(np.zeros(len(part), np.int64))
        else:
            amounts.append(np.where(values.present(), values.data, 0).astype(np.int64))
    matrix = np.vstack(amounts)
    keyed = np.ones(len(part), np.bool_)
    for name, shape in zip(asking.keys.fields, asking.keys.shapes, strict=True):
        known = name in there and part.values(name).kind == shape.kind
        keyed &= part.values(name).present() if known else False
    mine = part.take(np.flatnonzero(keyed))
    words = asking.keys.encode(mine) if len(mine) else no_words(asking)
    return Returned(Lack(words, matrix[:, keyed]), part.cards[~keyed], matrix[:, ~keyed])


def no_words(asking: Asking) -> Words:
    """Return the keys of no cards."""
    return np.zeros((len(asking.keys.words), 0), np.uint64)


def joined(asking: Asking, found: Iterable[Lack]) -> Lack:
    """Return several as one, by group."""
    every = list(found)
    none = np.zeros((1 + len(asking.sums), 0), np.int64)
    words = np.hstack([no_words(asking), *(each.words for each in every)])
    return Lack(words, np.hstack([none, *(each.amounts for each in every)])).by_group()


def lack_file(work: Path, asking: Asking) -> Path:
    """Return the work file of what the groups of a stage lack; none is made if it is nothing."""
    return work / f"lack-{asking.step.number}.npz"


def write_lack(work: Path, asking: Asking, found: Sequence[Lack]) -> None:
    """Write down what the groups of a stage lack, for all tasks of its pass."""
    lack = joined(asking, found)
    if lack.words.size:
        with lack_file(work, asking).open("wb") as file:
            np.savez(file, words=lack.words, amounts=lack.amounts)


def read_lack(work: Path, asking: Asking) -> Lack:
    """Return what was written down."""
    path = lack_file(work, asking)
    if not path.is_file():
        return joined(asking, [])
    with np.load(path) as held:
        return Lack(held["words"], held["amounts"])


def told_of(asking: Asking, tray: Tray, lacks: Sequence[Lack]) -> pl.DataFrame:
    """Return, for each group of a tray in its order, its fields and what it lacks.

    Args:
        asking: the stage that asks.
        tray: whole groups, one after the other.
        lacks: each by group.
    """
    words = asking.keys.encode(tray)
    inner = (words[:, 1:] != words[:, :-1]).any(axis=0)
    starts = np.flatnonzero(np.concatenate([np.ones(min(1, len(tray)), np.bool_), inner]))
    groups = words[:, starts]
    amounts = np.zeros((1 + len(asking.sums), len(starts)), np.int64)
    for lack in lacks:
        amounts += _looked_up(groups, lack)
    columns = [pl.Series("returned", amounts[0])]
    for (name, shape), sums in zip(asking.sums.items(), amounts[1:], strict=True):
        values = Values(shape.kind, sums, scale=shape.scale)
        columns.append(series(values, f"returned_{name}"))
    return tray.take(starts).frame(asking.keys.fields).with_columns(columns)


def _looked_up(groups: Words, lack: Lack) -> Amounts:
    """Return what each group (k) lacks; both may be in any order, each key once in `lack`."""
    found = np.zeros((len(lack.amounts), groups.shape[1]), np.int64)
    count = lack.words.shape[1]
    if not count or not groups.shape[1]:
        return found
    both = np.hstack([lack.words, groups])
    order = np.lexsort(both[::-1])  # stable, so an entry comes before the group of its key
    ordered = both[:, order]
    fresh = np.concatenate([[True], (ordered[:, 1:] != ordered[:, :-1]).any(axis=0)])
    leader = order[np.maximum.accumulate(np.where(fresh, np.arange(len(order)), 0))]
    has = (order >= count) & (leader < count)
    found[:, order[has] - count] = lack.amounts[:, leader[has]]
    return found


def with_readings_of(part: Tray, out: Tray) -> Tray:
    """Return cards that a stage returned, with the layouts that it has brought into force."""
    there = len(part.readings)
    brought = len(out.readings) > there and out.readings[:there] == part.readings
    punched_anew = (out.native is None) != (part.native is None)
    return replace(part, readings=out.readings) if brought and not punched_anew else part
