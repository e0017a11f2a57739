"""The journal told as events: one for every transformation of a card."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.journal.columns import span_texts
from deckwright.journal.reader import Event, Journal, PassEntry, arrives, goes_on
from deckwright.journal.sealing import SEALED

Cards = NDArray[np.int64]

_CHANGE = re.compile(r"^s(\d+)_(before|after|met)(?:_(.+))?$")
_SPAN = re.compile(r"^\d+_\d+$")
ORDERED = 200_000
"""Cards up to which the events of a run come in the order of the cards."""


def events(
    journal: Journal,
    *,
    card: int | None = None,
    stage: int | None = None,
    field: str = "",
    reason: str = "",
) -> Iterator[Event]:
    """Yield the events of a run; each filter narrows them.

    They come by card and stage, but for a run of more cards than ORDERED, all of whose events
    are not held at once: there they come as the journal holds them, pass by pass.

    Args:
        journal: the journal.
        card: only this card.
        stage: only this stage number.
        field: only events that concern this field.
        reason: only events with this reason.
    """
    wanted = (
        event | journal.place_of(event["card"])
        for event in _all(journal, card)
        if (stage is None or event["stage"] == stage)
        and (not field or _concerns(event, field))
        and (not reason or event.get("reason") == reason)
    )
    if card is None and journal.count > ORDERED:
        yield from wanted
        return
    found: dict[tuple[int, int], list[Event]] = defaultdict(list)
    for event in wanted:
        found[event["card"], event["stage"]].append(event)
    for key in sorted(found):
        yield from found[key]


def _concerns(event: Event, field: str) -> bool:
    return event.get("field") == field or field in event.get("fields", {})


def _all(journal: Journal, card: int | None) -> Iterator[Event]:
    for where in journal.passes:
        for index in _tasks_with(journal, where, card):
            yield from _reasons(_of_card(journal.table(where.tasks[index], "entries"), card))
            yield from _fates(_of_card(journal.table(where.tasks[index], "fates"), card))
            yield from _rows(journal, where, index, card)


def _of_card(table: pl.DataFrame, card: int | None) -> pl.DataFrame:
    return table if card is None else table.filter(pl.col("card") == card)


def _reasons(entries: pl.DataFrame) -> Iterator[Event]:
    for row in entries.iter_rows(named=True):
        event: Event = {"event": _VERBS[row["severity"]], "card": row["card"]}
        event.update(stage=row["stage"], reason=row["reason"])
        for name in ("field", "first", "last", "column", "found", "detail"):
            if row[name] not in {None, ""}:
                event[name] = row[name]
        yield event


_VERBS = {"fatal": "card_failed", "query": "card_queried", "note": "card_noted"}


def _fates(fates: pl.DataFrame) -> Iterator[Event]:
    for row in fates.iter_rows(named=True):
        event: Event = {"event": f"card_{row['fate'].replace('-', '_')}"}
        event.update(card=row["card"], stage=row["stage"])
        if row["reason"]:
            event["reason"] = row["reason"]
        yield event


def _rows(journal: Journal, where: PassEntry, index: int, card: int | None) -> Iterator[Event]:
    rows = journal.rows(where.tasks[index])
    if not where.sort and not rows.width:
        return
    cards = journal.cards(where, index, rows)
    picked = np.arange(len(cards)) if card is None else np.flatnonzero(cards == card)
    if where.sort:
        yield from _moves(journal, where, index, cards, picked)
    if rows.width:
        some = rows if card is None else rows[picked.tolist()]
        yield from _changes(journal, _spelt_out(some), cards[picked])


def _moves(
    journal: Journal, where: PassEntry, index: int, cards: Cards, picked: NDArray[np.intp]
) -> Iterator[Event]:
    """Yield where the sort of a pass put the picked rows; cards added later had no place then."""
    fates = journal.table(where.tasks[index], "fates")
    there = np.ones(len(cards), np.bool_)
    if fates.height:
        there = ~np.isin(cards, fates.filter(pl.col("fate") == "added")["card"].to_numpy())
    places = where.tasks[index].place + np.cumsum(there)
    for row in picked[there[picked]].tolist():
        event: Event = {"event": "card_moved", "card": int(cards[row]), "stage": where.sort}
        yield {**event, "place": int(places[row])}


def _spelt_out(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows with every span of columns as text, leading zeros and all."""
    texts = []
    for name in rows.columns:
        match = _CHANGE.match(name)
        if match and match[3] and _SPAN.match(match[3]):
            first, last = map(int, match[3].split("_"))
            texts.append(span_texts(rows[name], last - first + 1))
    return rows.with_columns(texts) if texts else rows


def _tasks_with(journal: Journal, where: PassEntry, card: int | None) -> list[int]:
    """Return the tasks of a pass that may have seen the card."""
    everything = list(range(len(where.tasks)))
    if card is None:
        return everything
    added = journal.added_in(card)
    if added and added[0] >= where.number:
        return [added[1]] if added[0] == where.number else []
    if where.number == 1:
        return [
            i for i, t in enumerate(where.tasks) if t.first_card <= card < t.first_card + t.arrived
        ]
    before = journal.passes[where.number - 2]
    found = _tasks_with(journal, before, card)
    if where.resumes:
        return _resumed_in(journal, where, found, card)
    for index in found:
        rows = journal.rows(before.tasks[index])
        if "range" in rows.columns:
            row = np.flatnonzero(journal.cards(before, index) == card)
            target = rows["range"][int(row[0])] if row.size else None
            return [] if target is None else [int(target)]
    return everything if len(everything) == 1 else []


def _resumed_in(journal: Journal, where: PassEntry, found: list[int], card: int) -> list[int]:
    """Return the tasks of a pass that go on with a card which these tasks before may have left."""
    before = journal.passes[where.number - 2]
    left, came = goes_on(before), arrives(where)
    if len(left) == len(came) and (left == came).all():
        return found
    tasks: list[int] = []
    for index in found:
        rows = np.flatnonzero(journal.left(before, index) == card)
        if rows.size:
            tasks.append(int(np.searchsorted(came, left[index] + rows[0], side="right")) - 1)
    return tasks


def _changes(journal: Journal, rows: pl.DataFrame, cards: Cards) -> Iterator[Event]:
    columns = [(name, match) for name in rows.columns if (match := _CHANGE.match(name))]
    for values, card in zip(rows.iter_rows(named=True), cards.tolist(), strict=True):
        fields: dict[int, dict[str, dict[str, object]]] = defaultdict(dict)
        for name, match in columns:
            value = values[name]
            stage, word, what = int(match[1]), match[2], match[3]
            if word == "met":
                if value:
                    yield {"event": "card_matched", "card": card, "stage": stage, "record": value}
            elif value is not None and not (card > journal.count and _is_nothing(value)):
                fields[stage].setdefault(_name(journal, stage, what), {})[word] = _plain(value)
        for stage, changed in fields.items():
            kept = {n: v for n, v in changed.items() if v.get("before") != v.get("after")}
            if kept:
                yield {"event": "card_changed", "card": card, "stage": stage, "fields": kept}


def _is_nothing(value: object) -> bool:
    """Tell whether a span is zero bytes: what an added card was before."""
    return isinstance(value, str) and not value.strip("\0")


def _name(journal: Journal, stage: int, what: str) -> str:
    what = what.removesuffix(SEALED)
    if not _SPAN.match(what):
        return what
    names = journal.stages[stage].get("columns", {})
    return str(names.get(what, "columns " + what.replace("_", "-")))


def _plain(value: object) -> object:
    return value if isinstance(value, (str, int)) else str(value)
