"""Cards of a run folder to be drawn: returned and set-aside ones with their reasons, any other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cli.shared.drawable import Picked, Said, Source, card_line, picked, sources_of_job
from deckwright.engine.closing.returning import deck_files
from deckwright.engine.passes.deckfile import fingerprint
from deckwright.errors import DeckError
from deckwright.journal.reader import Journal
from deckwright.journal.tables import ENTRY_SCHEMA
from deckwright.layout.personal import KEPT_BACK_NOTE, masked, out_of_place, over
from deckwright.layout.reading import Layout
from deckwright.plugin.values import DeckPart
from deckwright.report.drawing.notes import fault_sentence
from deckwright.report.model import CardLine

FOLDERS = {"returned": "returned", "set-aside": "set-aside"}


class CardNotHereError(DeckError):
    """A run folder does not hold a card, and its deck was not given."""


@dataclass(frozen=True, slots=True)
class Left:
    """Cards that left the chain by one fate, in order, int64 (k)."""

    fate: str
    cards: NDArray[np.int64]


class RunCards:
    """The cards of a run folder."""

    def __init__(self, run: Path, decks: Sequence[Path] = ()) -> None:
        """Open a run folder.

        Args:
            run: the folder.
            decks: the decks that were run, where cards are wanted that went on.

        Raises:
            RunFolderError: it is none.
        """
        self.journal = Journal(run)
        self.run = run
        self.sources: dict[str, Source] = sources_of_job(run / "config" / "job.toml")
        self.decks = decks
        self._entered: list[dict[str, Any]] = self.journal.index["decks"]
        self._firsts = np.array([int(deck["first_card"]) for deck in self._entered])
        fates = [self.journal.table(w.tasks[i], "fates") for w, i in self.journal.tasks()]
        gone = pl.concat(fates) if fates else pl.DataFrame(schema={"card": pl.Int64})
        self._left = [Left(fate, _cards(gone, fate)) for fate in FOLDERS]

    @property
    def returned(self) -> list[int]:
        """The numbers of all returned cards, in order."""
        numbers: list[int] = self._left[0].cards.tolist()
        return numbers

    def lines(self, wanted: Sequence[int], layout: Layout | None = None) -> list[CardLine]:
        """Return cards as they are drawn, with all reasons that stages gave, in the order asked.

        Args:
            wanted: card numbers of the run.
            layout: the layout; None: the first one of the job.

        Raises:
            NoSuchCardError: the run has no such card.
            CardNotHereError: a card went on, and its deck was not given.
            NotDrawableError: a card is none of 80 columns.
        """
        reasons = self._reasons(wanted)
        found: dict[int, Picked] = {}
        for path, places in self._places(wanted).items():
            medium = self._source(next(iter(places))).medium
            cards = picked(medium, path, list(places.values()))
            found |= {number: cards[place] for number, place in places.items()}
        many = len(self._entered) > 1
        made = []
        slipped = set(out_of_place(self._entries(wanted)))
        for number in wanted:
            text, holes, said = found[number]
            deck, place = self.journal.deck_of(number) if many else ("", 0)
            source = self._source(number)
            behind = None
            if source.personal:
                columns = None if number in slipped else source.personal
                text, holes, behind = masked(text, holes, columns)
                said = Said()  # a medium may quote what it found
            card = (text, holes, reasons.get(number, said))
            used = layout or source.layout
            line = card_line(number, card, source.medium.code, used, deck, place)
            made.append(line if behind is None else _kept_back(line, behind))
        return made

    def _source(self, number: int) -> Source:
        """Return how the deck of a card is read."""
        place = max(0, int(np.searchsorted(self._firsts, number, side="right")) - 1)
        return self.sources[self._entered[place].get("deck", "")]

    def _places(self, wanted: Sequence[int]) -> dict[Path, dict[int, int]]:
        """Return files of cards with the place (from 1) of each wanted card in them."""
        parts = [
            DeckPart(d["name"], "", int(d["first_card"]), d["cards"], *_named(d))
            for d in self._entered
        ]
        names = deck_files(parts, lambda part: self.sources[part.of].medium)
        files: dict[Path, dict[int, int]] = {}
        for number in wanted:
            name, place = self.journal.deck_of(number)
            deck = int(np.searchsorted(self._firsts, number, side="right")) - 1
            fate = next((left for left in self._left if number in left.cards), None)
            if fate is None:
                files.setdefault(self._deck(name, number), {})[number] = place
                continue
            same = np.searchsorted(self._firsts, fate.cards, side="right") - 1 == deck
            rank = int((fate.cards[same] < number).sum()) + 1
            path = self.run / FOLDERS[fate.fate] / names[deck]
            files.setdefault(path, {})[number] = rank
        return files

    def _deck(self, name: str, number: int) -> Path:
        if not name:
            msg = f"card {number} was added by a stage and went on; {self.run} does not hold it"
            raise CardNotHereError(msg)
        entry = self._entered[int(np.searchsorted(self._firsts, number, side="right")) - 1]
        for path in self.decks:
            if path.exists() and fingerprint(path) == entry["sha256"]:
                return path
        given = (
            f", and none of those given with --deck is {name!r} as it was run" if self.decks else ""
        )
        msg = (
            f"card {number} went on, so that {self.run} does not hold it{given}; say --deck {name}"
        )
        raise CardNotHereError(msg)

    def _entries(self, wanted: Sequence[int]) -> pl.DataFrame:
        """Return the reasons that stages gave for cards."""
        numbers = list(dict.fromkeys(wanted))
        tables = [
            self.journal.table(where.tasks[index], "entries").filter(pl.col("card").is_in(numbers))
            for where, index in self.journal.tasks()
        ]
        return pl.concat(tables) if tables else pl.DataFrame(schema=ENTRY_SCHEMA)

    def _reasons(self, wanted: Sequence[int]) -> dict[int, Said]:
        """Return what stages said of cards: fatal reasons first, then queries and notes."""
        weight = pl.col("severity").replace_strict({"fatal": 0, "query": 1, "note": 2})
        column = pl.coalesce("column", "first", pl.lit(0))
        entries = self._entries(wanted).sort("card", weight, column, "stage", maintain_order=True)
        said: dict[int, Said] = {}
        for row in entries.iter_rows(named=True):
            exact = row["column"]
            mark = (exact or row["first"] or 0, exact or row["last"] or 0, fault_sentence(row))
            said.setdefault(row["card"], Said()).add(mark, row["severity"])
        return said


def _kept_back(line: CardLine, behind: NDArray[np.bool_]) -> CardLine:
    return replace(line, text=over(line.text, behind), notes=(*line.notes, KEPT_BACK_NOTE))


def _named(deck: Mapping[str, Any]) -> tuple[str, str]:
    """Return which named deck it is and what its file is called; empty in a job of one deck."""
    return deck.get("deck", ""), deck.get("file", "")


def _cards(gone: pl.DataFrame, fate: str) -> NDArray[np.int64]:
    if "fate" not in gone.columns:
        return np.zeros(0, np.int64)
    return gone.filter(pl.col("fate") == fate)["card"].sort().to_numpy()
