"""Cards that left the chain, written as decks that can be dropped again, and why they left.

Everything is written window by window of card numbers, so that a deck with many bad cards needs
no more memory than one with few.
"""

from __future__ import annotations

import io
from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.faultplaces import PlaceCounter
from deckwright.engine.closing.returnedgroups import ReturnedGroups
from deckwright.engine.passes.spill import Block, Gatherer
from deckwright.journal.tables import ENTRY_SCHEMA
from deckwright.layout.tray import Tray
from deckwright.plugin.media import Medium
from deckwright.plugin.values import DeckPart

RETURNED, ASIDE = 1, 2
REASONS = "reasons.csv"
ROWS_A_WINDOW = 100_000

_FOLDERS = {RETURNED: "returned", ASIDE: "set-aside"}
_LISTS = {"fatal": f"returned/{REASONS}", "query": "queries.csv", "note": "notes.csv"}
_REASON_COLUMNS = ("stage", "reason", "field", "first", "last", "column", "found", "detail")
_NO_CARD = np.iinfo(np.int64).max
_NO_ENTRIES = pl.DataFrame(schema=ENTRY_SCHEMA)
_NO_PLACES = pl.DataFrame(schema={"card": pl.Int64, "place_in_returned_deck": pl.Int64})


@dataclass(slots=True)
class Back:
    """What pages show of returned cards: by reason, and where their faults gather."""

    groups: ReturnedGroups
    places: PlaceCounter

    def add(self, tray: Tray, entries: pl.DataFrame) -> None:
        """Add returned cards in the order of their numbers, with all that was said of them."""
        fatal = entries.filter(pl.col("severity") == "fatal")
        self.groups.add(tray, fatal)
        self.places.add(tray.cards, fatal)


def write_returned(ending: Ending) -> Back:
    """Write returned and set-aside cards, reasons, queries and notes, all in card order."""
    return _Writer(ending, Back(ReturnedGroups(), PlaceCounter(ending.decks))).write()


def returned_so_far(ending: Ending, most: int) -> Back:
    """Return some of the cards that came back in a run that was stopped; nothing is written.

    Args:
        ending: what the run came to.
        most: no more are looked at once there are so many.
    """
    back = Back(ReturnedGroups(), PlaceCounter(ending.decks))
    for gone, entries in _Writer(ending, back).windows():
        if gone is not None:
            back.add(_of_fate(gone, RETURNED), entries)
        if sum(back.groups.counts.values()) >= most:
            break
    return back


def deck_files(
    decks: list[DeckPart], medium_of: Callable[[DeckPart], Medium[Any]] | None = None
) -> list[str]:
    """Return a name for each deck; no two are alike, and none is that of the reasons.

    Args:
        decks: the decks of a run.
        medium_of: in which the cards of each come back; then the names are those of such files.
    """
    taken = {REASONS}
    names = []
    for deck in decks:
        base = deck.name if medium_of is None else medium_of(deck).returned_name(deck.returned)
        name, number = base, 1
        while name in taken:
            number += 1
            name = f"{number}-{base}"
            if deck.of and f"{deck.of}-{base}" not in taken:
                name = f"{deck.of}-{base}"
        taken.add(name)
        names.append(name)
    return names


class _Writer:
    def __init__(self, ending: Ending, back: Back) -> None:
        self.ending, self.back = ending, back
        self.names = deck_files(ending.decks)
        self.files = deck_files(ending.decks, ending.plan.medium_of)
        self.firsts = np.array([deck.first for deck in ending.decks])
        self.media = [ending.plan.medium_of(d).like(Path(d.path)) for d in ending.decks]
        self.records = {c: r for result in ending.all_results() for c, r in result.records.items()}
        self.blocks = [block for result in ending.all_results() for block in result.gone]
        self.places = np.zeros(len(ending.decks), np.int64)

    def write(self) -> Back:
        for gone, entries in self.windows():
            places = self._decks(gone)
            self._lists(entries, places)
            if gone is not None:
                self.back.add(_of_fate(gone, RETURNED), entries)
        self._end()
        return self.back

    def windows(self) -> Iterator[tuple[Tray | None, pl.DataFrame]]:
        """Yield cards that left the chain and the reasons of a window of card numbers."""
        plan = self.ending.plan
        with Gatherer(plan.code, plan.configs) as cards:
            for low, high in self._windows():
                yield self._gone(cards, low, high), self._entries(low, high)

    def _windows(self) -> Iterator[tuple[int, int]]:
        """Yield card numbers from and up to, so that about as many rows lie in each window."""
        results = self.ending.all_results()
        rows = sum(sum(result.reasons.values()) for result in results)
        rows += sum(int(block.starts[-1]) for block in self.blocks)
        count = max(1, -(-rows // ROWS_A_WINDOW))
        edges = np.linspace(1, self.ending.cards + 1, count + 1).astype(np.int64).tolist()
        # cards that stages added have numbers above all others
        yield from zip(edges[:-1], [*edges[1:-1], _NO_CARD], strict=True)

    def _gone(self, cards: Gatherer, low: int, high: int) -> Tray | None:
        blocks = [block for block in self.blocks if _overlaps(block, low, high)]
        if not blocks:
            return None
        gone = cards.whole_of(blocks)
        inside = np.flatnonzero((gone.cards >= low) & (gone.cards < high))
        return gone.take(inside[np.argsort(gone.cards[inside], kind="stable")])

    def _decks(self, gone: Tray | None) -> pl.DataFrame:
        """Append cards to their decks; return the place of each returned card in its deck."""
        found = [_NO_PLACES]
        for fate, folder in _FOLDERS.items() if gone is not None else ():
            assert gone is not None  # noqa: S101 # as asked above
            tray = _of_fate(gone, fate)
            of_deck = np.searchsorted(self.firsts, tray.cards, side="right") - 1
            for deck in np.unique(of_deck).tolist():
                part = tray.take(np.flatnonzero(of_deck == deck))
                with (self.ending.run / folder / self.files[deck]).open("ab") as file:
                    file.writelines(self._pieces(deck, part))
                if fate == RETURNED:
                    places = self.places[deck] + 1 + np.arange(len(part))
                    self.places[deck] += len(part)
                    table = {"card": part.cards, "place_in_returned_deck": places}
                    found.append(pl.DataFrame(table))
        return pl.concat(found) if len(found) > 1 else _NO_PLACES

    def _pieces(self, deck: int, tray: Tray) -> Iterator[bytes]:
        """Yield cards in the bytes of the medium of their deck."""
        medium, part, decks = self.media[deck], self.ending.decks[deck], self.ending.plan.decks
        if decks is not None:
            came = tray.cards < part.first + part.cards
            if not came.all():  # those that a stage has added are in the code of all decks
                yield from self._pieces(deck, tray.keep(came))
                yield _encoded(medium, tray.keep(~came), self.records)
                return
            tray = decks.own_cards(tray, part)
        if not medium.keeps_originals:
            yield _encoded(medium, tray, self.records)
            return
        for place, card in enumerate((tray.cards - part.first + 1).tolist()):
            if card <= part.cards:
                yield from medium.original(Path(part.path), card)
            else:  # a stage has added it
                yield _encoded(medium, tray.take(np.array([place])), self.records)

    def _end(self) -> None:
        """Write what stands after the last card of a deck."""
        for deck, medium in enumerate(self.media):
            for folder in _FOLDERS.values() if medium.end() else ():
                path = self.ending.run / folder / self.files[deck]
                if path.exists():
                    with path.open("ab") as file:
                        file.write(medium.end())

    def _entries(self, low: int, high: int) -> pl.DataFrame:
        """Return the reasons for cards of a window, by card, stage, field and reason."""
        folder = self.ending.run / "journal"
        tables = []
        for number, results in enumerate(self.ending.results, 1):
            for result in results:
                apart = result.first_card >= high or result.first_card + result.arrived <= low
                if number == 1 and apart and high != _NO_CARD:
                    continue
                path = folder / f"p{number}-{result.task:05}.entries.parquet"
                if path.is_file():
                    tables.append(_within(pl.read_parquet(path), low, high))
        if not tables:
            return _NO_ENTRIES
        return pl.concat(tables).sort("card", "stage", "field", "reason", maintain_order=True)

    def _lists(self, entries: pl.DataFrame, places: pl.DataFrame) -> None:
        if not entries.height:
            return
        named = self._with_decks(entries)
        for severity, name in _LISTS.items():
            listed = named.filter(pl.col("severity") == severity)
            columns = ["card", "deck", "card_in_deck"]
            if severity == "fatal":
                listed = listed.join(places, on="card", how="left", maintain_order="left")
                columns.append("place_in_returned_deck")
            if listed.height:
                listed = listed.with_columns(column=pl.coalesce("column", "first"))
                listed = listed.select(*columns, *_REASON_COLUMNS, *self._originals(listed))
                append_csv(listed, self.ending.run / name)

    def _originals(self, listed: pl.DataFrame) -> list[pl.Series]:
        """Return the files in which the cards came, where a medium keeps them; else nothing."""
        if not any(medium.keeps_originals for medium in self.media):
            return []
        names = original_names(self.ending.decks, self.media, listed["card"].to_list())
        return [pl.Series("original", names, dtype=pl.String)]

    def _with_decks(self, entries: pl.DataFrame) -> pl.DataFrame:
        table = {"first_card": pl.Series(self.firsts, dtype=pl.Int64), "deck": self.names}
        joined = entries.join_asof(pl.DataFrame(table), left_on="card", right_on="first_card")
        return joined.with_columns(
            (pl.col("card") - pl.col("first_card") + 1).alias("card_in_deck")
        )


def original_names(
    decks: Sequence[DeckPart], media: Sequence[Medium[Any]], cards: Sequence[int]
) -> list[str]:
    """Return the name of the file of each card, "" where its medium has none or a stage added it.

    Args:
        decks: the decks of a run.
        media: of each deck.
        cards: numbers in the run, from 1.
    """
    known: dict[int, str] = {}
    firsts = [deck.first for deck in decks]
    for card in cards:
        at = bisect_right(firsts, card) - 1
        if card not in known and card < firsts[at] + decks[at].cards:
            known[card] = media[at].original_name(Path(decks[at].path), card - firsts[at] + 1)
    return [known.get(card, "") for card in cards]


def append_csv(frame: pl.DataFrame, path: Path) -> None:
    """Append rows to a CSV; the first ones bring the headings."""
    buffer = io.BytesIO()
    frame.write_csv(buffer, include_header=not path.exists(), line_terminator="\r\n")
    with path.open("ab") as file:
        file.write(buffer.getbuffer())


def _of_fate(gone: Tray, fate: int) -> Tray:
    return gone.take(np.flatnonzero(gone.values("fate").data == fate))


def _overlaps(block: Block, low: int, high: int) -> bool:
    return block.first_card < high and block.last_card >= low


def _within(entries: pl.DataFrame, low: int, high: int) -> pl.DataFrame:
    return entries.filter((pl.col("card") >= low) & (pl.col("card") < high))


def _encoded(medium: Medium[Any], tray: Tray, records: Mapping[int, bytes]) -> bytes:
    """Return cards in the bytes of a medium; records: those that came in some odd form."""
    odd: NDArray[np.intp] = np.zeros(0, np.intp)
    if records:
        odd = np.flatnonzero(np.isin(tray.cards, np.fromiter(records, np.int64, len(records))))
    pieces = []
    start = 0
    for place in [*odd.tolist(), len(tray)]:
        part = tray.take(np.arange(start, place))
        if len(part):
            pieces.append(medium.encode(part.text, part.holes, part.lengths, part.code.alphabet))
        if place < len(tray):
            pieces.append(medium.record(records[int(tray.cards[place])]))
        start = place + 1
    return b"".join(pieces)
