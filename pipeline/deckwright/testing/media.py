"""What every medium must pass.

In a test module of a plugin:

    from deckwright.testing import MediumContract

    class TestMyMedium(MediumContract):
        options = {"kind": "my-medium"}
        plugins = ["my_medium.py"]         # only for a medium in one file

        def deck(self) -> bytes:
            return b"..."                  # a deck of some cards that have no faults
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from deckwright.engine.passes.parts import sha256_of
from deckwright.engine.planning.plan import load_plan
from deckwright.engine.run import run_job
from deckwright.errors import UnreadableDeckError
from deckwright.plugin.media import Medium
from deckwright.plugin.values import RawTray
from deckwright.testing.stages import CUTS, difference, must_be_refused, told, write_job


@dataclass(slots=True)
class Cards:
    """All that a medium says of a deck. odd: number of the card, reason, detail, column, severity.

    text: uint8 (n, L), internal bytes; holes: uint16 (n, L) or None; lengths: int (n), columns of
    each.
    """

    text: NDArray[np.uint8]
    holes: NDArray[np.uint16] | None
    lengths: NDArray[np.integer]
    odd: list[tuple[int, str, str, int, str]] = field(default_factory=list)

    def fault(self, other: Cards, how: str) -> str:
        """Return a sentence on the first difference; "" = they are the same cards."""
        if len(self.text) != len(other.text):
            return f"there are {len(self.text):,} cards, but {len(other.text):,} {how}"
        if self.text.shape != other.text.shape:
            return f"cards have {self.text.shape[1]} columns, but {other.text.shape[1]} {how}"
        parts: list[tuple[str, Any, Any]] = [("text", self.text, other.text)]
        if (self.holes is None) != (other.holes is None):
            return f"cards have holes, but none {how}" if other.holes is None else f"holes {how}"
        if self.holes is not None:
            parts.append(("holes", self.holes, other.holes))
        parts.append(("length", self.lengths[:, None], other.lengths[:, None]))
        for what, one, two in parts:
            rows = np.flatnonzero((one != two).any(axis=1))
            if rows.size:
                column = int(np.flatnonzero(one[rows[0]] != two[rows[0]])[0]) + 1
                at = "" if what == "length" else f" in column {column}"
                return f"the {what} of card {int(rows[0]) + 1:,} is another{at} {how}"
        if self.odd != other.odd:
            said = next(o for o in (*self.odd, *other.odd) if (o in self.odd) != (o in other.odd))
            return f"what is said of card {said[0]:,} ({said[1]}) is another {how}"
        return ""


def read_deck(medium: Medium[Any], deck: Path, cards_a_span: int, cards_a_tray: int) -> Cards:
    """Read a deck in spans and trays of these sizes; check that it comes as it was surveyed.

    Raises:
        UnreadableDeckError: the deck cannot be read.
    """
    survey = medium.survey(deck, cards_a_span)
    trays: list[RawTray] = []
    card = 1
    for number, span in enumerate(survey.spans):
        assert span.index == number, f"span {number} has the index {span.index}"
        assert span.first_card == card, (
            f"span {number} begins with card {span.first_card}, not {card}"
        )
        for raw in medium.read(deck, span, cards_a_tray):
            assert raw.first_card == card, f"a tray begins with card {raw.first_card}, not {card}"
            assert len(raw.text) <= cards_a_tray, (
                f"a tray has {len(raw.text)} cards; {cards_a_tray} were asked for"
            )
            trays.append(raw)
            card += len(raw.text)
    assert card - 1 == survey.cards, (
        f"the survey counts {survey.cards:,} cards, reading gives {card - 1:,}"
    )
    return _joined(trays, survey.width)


def _joined(trays: Sequence[RawTray], width: int) -> Cards:
    full = [np.full(len(raw.text), raw.text.shape[1]) for raw in trays]
    lengths = [
        every if raw.lengths is None else raw.lengths
        for raw, every in zip(trays, full, strict=True)
    ]
    holes = [raw.holes for raw in trays if raw.holes is not None]
    odd = [
        (
            raw.first_card + int(row),
            each.reason,
            each.detail,
            _column(each.columns, at),
            each.severity,
        )
        for raw in trays
        for each in raw.odd
        for at, row in enumerate(each.rows)
    ]
    none = np.zeros((0, width), np.uint8)
    return Cards(
        np.vstack([raw.text for raw in trays]) if trays else none,
        np.vstack(holes) if holes else None,
        np.concatenate(lengths) if lengths else np.zeros(0, np.int64),
        sorted(odd),
    )


def _column(columns: NDArray[np.intp] | None, at: int) -> int:
    return 0 if columns is None else int(columns[at])


class MediumContract:
    """Tests that hold for every medium. Subclass it; the name must begin with `Test`."""

    options: ClassVar[Mapping[str, Any]]
    """The table of the medium as a job has it, `kind` among it."""
    plugins: ClassVar[Sequence[str]] = ()
    same_bytes: ClassVar[bool] = True
    """False: the bytes of a deck that is written follow from the pieces in which it is written, as
    where it is compressed; its cards are the same all the same."""
    cuts: ClassVar[Sequence[tuple[int, int]]] = ((10_000, 10_000), (7, 3), (3, 10_000), (1, 1))
    """Cards a span and a tray."""

    def deck(self) -> bytes:
        """Return a deck of at least ten cards that have no faults."""
        raise NotImplementedError

    def write(self, place: Path) -> Path:
        """Write the deck to a path; return where it is. Override it for a deck that is a folder."""
        place.write_bytes(self.deck())
        return place

    def job(
        self,
        folder: Path,
        extra: Mapping[str, Any] | None = None,
        check: Mapping[str, Any] | None = None,
    ) -> Path:
        """Write a job that reads the medium and writes a deck of it; return its path.

        extra: more options of the medium. check: a stage between.
        """
        decode = {"kind": "decode", "medium": {**self.options, **(extra or {})}}
        emit = {"kind": "emit", "output": [{"file": "cards.deck", "form": "deck"}]}
        stages = [decode, check, emit] if check else [decode, emit]
        tables: dict[str, Any] = {"title": "Contract", "stage": stages}
        return write_job(folder, tables, type(self), self.plugins)

    def medium(self, folder: Path) -> Medium[Any]:
        """Return the medium, made as a run makes it."""
        return _settled(load_plan(self.job(folder)).source.medium, folder)

    def test_any_cut_gives_the_same_cards(self, tmp_path: Path) -> None:
        """However a deck is cut into spans and trays, all that is said of its cards is the same."""
        medium, deck = self.medium(tmp_path), self.write(tmp_path / "contract.deck")
        whole = read_deck(medium, deck, *self.cuts[0])
        assert len(whole.text) >= _FEWEST, "the deck should have ten cards or more"
        for cards_a_span, cards_a_tray in self.cuts[1:]:
            how = f"where a span has {cards_a_span:,} cards and a tray {cards_a_tray:,}"
            found = whole.fault(read_deck(medium, deck, cards_a_span, cards_a_tray), how)
            assert not found, found

    def test_what_is_written_reads_back_as_the_same_cards(self, tmp_path: Path) -> None:
        """The deck that a run writes holds the same cards, and written again the same bytes."""
        medium, deck = self.medium(tmp_path), self.write(tmp_path / "contract.deck")
        cards = read_deck(medium, deck, *self.cuts[0])
        again = self._written(tmp_path, deck, "once")
        back = read_deck(medium, again, *self.cuts[1])
        back.lengths = cards.lengths  # a delivery is as wide as its cards
        found = cards.fault(back, "once written and read again")
        assert not found, found
        twice = self._written(tmp_path, again, "twice")
        assert again.read_bytes() == twice.read_bytes(), (
            "a deck that was written is written with other bytes when it is read"
        )

    def _written(self, folder: Path, deck: Path, name: str) -> Path:
        outcome = run_job(self.job(folder), [deck], folder / name, workers=1)
        account = (outcome.cards, outcome.delivered, outcome.returned, outcome.set_aside)
        assert account == (outcome.cards, outcome.cards, 0, 0), (
            f"of {outcome.cards:,} cards without faults {outcome.delivered:,} were delivered"
        )
        return outcome.folder / "out" / "cards.deck"

    def test_nothing_of_a_run_depends_on_the_cut_or_on_who_reads(self, tmp_path: Path) -> None:
        """Runs with other spans and trays, and by two processes, tell the same."""
        deck = self.write(tmp_path / "contract.deck")
        whole = self._told(
            run_job(self.job(tmp_path), [deck], tmp_path / "whole", workers=1).folder
        )
        for sizes, workers in ((CUTS[1], 1), (CUTS[2], 1), (CUTS[1], 2)):
            name = f"{sizes.cards_a_task}-{sizes.cards_a_tray}-{workers}"
            run = run_job(
                self.job(tmp_path), [deck], tmp_path / name, workers=workers, sizes=sizes
            ).folder
            found = difference(whole, self._told(run), f"the cut is {name}")
            assert not found, found

    def _told(self, run: Path) -> dict[str, bytes]:
        """Return what a run tells; of a deck whose bytes follow from its pieces, its cards."""
        found = told(run)
        if self.same_bytes:
            return found
        deck = run / "out" / "cards.deck"
        cards = read_deck(self.medium(run.parent), deck, *self.cuts[0])
        size, digest = str(deck.stat().st_size).encode(), sha256_of(deck).encode()
        for name, data in found.items():
            found[name] = data.replace(digest, b"SHA-256").replace(b'"size": ' + size, b"SIZE")
        return found | {"out/cards.deck": cards.text.tobytes()}

    def test_a_deck_that_ends_too_soon_is_read_up_to_there_or_refused(self, tmp_path: Path) -> None:
        """At whatever byte a deck ends, whole cards are as before, or a sentence refuses it."""
        medium, deck = self.medium(tmp_path), self.write(tmp_path / "contract.deck")
        if deck.is_dir():
            return
        data = deck.read_bytes()
        whole = read_deck(medium, deck, *self.cuts[0])
        cut = tmp_path / "cut.deck"
        for end in sorted({*range(0, len(data), max(1, len(data) // _ENDS)), len(data) - 1}):
            cut.write_bytes(data[:end])
            try:
                found = read_deck(medium, cut, *self.cuts[1])
            except UnreadableDeckError:
                continue
            # the last card may be cut too
            same = max(0, min(len(found.text), len(whole.text)) - 1)
            assert len(found.text) <= len(whole.text) + 1, (
                f"the first {end:,} bytes hold more cards than the deck"
            )
            width = min(found.text.shape[1], whole.text.shape[1])
            assert np.array_equal(found.text[:same, :width], whole.text[:same, :width]), (
                f"cards are others where the deck ends after {end:,} bytes"
            )

    def test_cards_that_come_back_can_be_read_again(self, tmp_path: Path) -> None:
        """A deck whose cards all come back comes back as a deck of the same cards."""
        medium, deck = self.medium(tmp_path), self.write(tmp_path / "contract.deck")
        cards = read_deck(medium, deck, *self.cuts[0])
        (tmp_path / "nothing.toml").write_text(_NOTHING_PASSES, encoding="utf-8")
        check = {"kind": "validate", "layout": "nothing", "most_returned": "100 %"}
        path = self.job(tmp_path, check=check)
        outcome = run_job(path, [deck], tmp_path / "back", workers=1)
        assert outcome.returned == outcome.cards == len(cards.text)
        (back,) = (p for p in (tmp_path / "back" / "returned").iterdir() if p.suffix != ".csv")
        again = read_deck(medium, back, *self.cuts[0])
        found = cards.fault(again, "once it came back")
        assert not found, found

    def test_an_unknown_option_is_named_with_file_and_line(self, tmp_path: Path) -> None:
        """A misspelt option is refused before the run."""
        path = self.job(tmp_path, {"no_such_option_of_this_medium": 1})
        must_be_refused(path, "no_such_option_of_this_medium")


_FEWEST = 10
_ENDS = 60
_NOTHING_PASSES = """
[[field]]
name = "first"
columns = "1"
kind = "choice"
choices = { "\\u00a4" = "a sign that no card has" }
"""


def _settled(medium: Medium[Any], folder: Path) -> Medium[Any]:
    bench = folder / "bench"
    bench.mkdir(exist_ok=True)
    medium.use_folder(bench)
    return medium
