"""One picture after the other: opened, read, and put together with what a person answered."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright import (
    CARD_PIXELS,
    ROWS,
    Box,
    CardReading,
    CutSaid,
    Loaded,
    PictureError,
    PrintedOpinion,
    compare_print,
    load_picture,
    read_card,
)
from deckwright_plugins.media.pictures.answers import (
    AS_A_WHOLE,
    COLUMNS,
    OF_SIDE,
    Answers,
    AnswersError,
    read_answers,
)
from deckwright_plugins.media.pictures.files import most_bytes, most_pixels, open_plain
from deckwright_plugins.media.pictures.finding import Place
from deckwright_plugins.media.pictures.index import Index
from deckwright_plugins.media.pictures.members import Member, MemberError, printable, read_member
from deckwright_plugins.media.pictures.options import PicturesConfig

State = Literal["read", "look", "bad"]
Picture = NDArray[np.uint8]

_CUTS: Mapping[str, CutSaid] = {
    "ask": "ask", "upper-left": "upper left", "upper-right": "upper right", "none": "none",
}  # fmt: skip
_NAMED = 8

SAID: Mapping[str, str] = {
    "torn": "paper is missing",
    "folded": "a corner is folded over",
    "clipped": "the picture cuts off a part of the card",
    "edge-not-seen": "an edge is not plain to see",
    "out-of-shape": "its shape is not that of a card",
    "low-contrast": "paper and backing are too alike",
    "blurred": "the picture is too blurred",
    "which-way-up": "no corner cut tells which way up it lies and which side is seen",
    "which-side": (
        "by its cut corner its back is seen; write front or back in its form, or say in the job "
        "which corner of the front is cut (cut), or that backs occur (backs = 'read')"
    ),
    "which-cut": (
        "nobody has said which corner of its front is cut, and no print tells which side is seen; "
        "say it in the job, for all cards at once (cut), or write front or back in its form"
    ),
    "print-against-it": "the digits printed on it stand as on a card that lies another way",
    "holes-upside-down": "its holes make characters only when it is turned upside down",
    "holes-off-their-places": "the holes do not fit the places that the edges tell",
    "doubled-up": "something like paper lies behind its holes",
    "several-cards": (
        "there seems to be more than one card in the picture; take a picture of each, or say in "
        "the job how many there are (cards_a_picture)"
    ),
    "not-a-card": "no card is seen in the picture",
}
"""Sentences on what the reader finds wrong with a card as a whole; for the rest its own words."""


@dataclass(frozen=True, slots=True)
class Odd:
    """Something about one card. column: from 1, 0 for the card as a whole."""

    reason: str
    detail: str
    severity: Literal["fatal", "note", "aside"] = "fatal"
    column: int = 0


@dataclass(slots=True, eq=False)
class Seen:
    """A card as it came out.

    Attributes:
        card: its number in the deck, from 1.
        name: of the picture as it comes back.
        number: which card of its picture, from 1.
        reading: what was read; None if the picture could not be opened.
        image: the picture of the card, uint8 (h, w) or (h, w, 3).
        printed: what the printed line says, where it is compared.
        answers: what a person said.
        holes: uint16 (80), decided columns; all others are 0.
        known: bool (80), the decided columns.
        state: "read", "look" or "bad".
        why: one sentence.
        odd: all that is to be said.
    """

    card: int
    name: str
    number: int
    reading: CardReading | None = None
    image: Picture | None = None
    printed: PrintedOpinion | None = None
    answers: Answers = field(default_factory=Answers)
    holes: NDArray[np.uint16] = field(default_factory=lambda: np.zeros(COLUMNS, np.uint16))
    known: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(COLUMNS, np.bool_))
    state: State = "bad"
    why: str = ""
    odd: list[Odd] = field(default_factory=list)

    @property
    def asked(self) -> list[int]:
        """Return the columns, from 1, that only a person can tell; none of an unread picture.

        Where only the side is asked for, that is `OF_SIDE`: which columns are not sure follows from
        it. Of a card that is not read as a whole `AS_A_WHOLE` too, since there may be no card.
        """
        if self.reading is None:
            return []
        if self.reading.side_asked:
            return [OF_SIDE]
        wanted = self.reading.unsure_columns | self.doubted | self.reading.bad
        return [AS_A_WHOLE] * self.reading.bad + (np.flatnonzero(wanted) + 1).tolist()

    @property
    def unsure(self) -> NDArray[np.bool_]:
        """Return bool (12, 80), places that a person is shown as not sure.

        None of a card that is not read as a whole, since there it is all of them.
        """
        if self.reading is None or self.reading.bad:
            return np.zeros((len(ROWS), COLUMNS), np.bool_)
        return self.reading.unsure

    @property
    def doubted(self) -> NDArray[np.bool_]:
        """Return bool (80), decided columns that the printed line speaks against."""
        return np.zeros(COLUMNS, np.bool_) if self.printed is None else self.printed.doubtful

    @property
    def taken_out(self) -> bool:
        """Return whether it is set aside since a person sees no card in the picture."""
        return any(odd.reason == "no-card" for odd in self.odd)

    def fail(self, reason: str, detail: str, column: int = 0) -> None:
        """Enter why it comes back."""
        self.odd.append(Odd(reason, detail, column=column))
        self.why = self.why or detail


class Desk:
    """Reads the cards of one deck. said: returns the characters of patterns (80)."""

    def __init__(
        self, config: PicturesConfig, index: Index, said: Callable[[NDArray[np.uint16]], str]
    ) -> None:
        cv2.setNumThreads(1)  # the processes of a run share the cores
        self._config, self._index, self._said = config, index, said
        self._data = Path(index.data)
        self._last: tuple[tuple[int, int, int], Loaded] | None = None

    def seen(self, card: int) -> Seen:
        """Return a card, from 1. Whatever is wrong with its picture stands in the answer."""
        place = self._index.places[card - 1]
        seen = Seen(card, printable(self._index.name(place)), place.number)
        try:
            if place.fault:
                seen.fail("cards-on-picture", place.fault)
                return seen
            # one card alone needs no more pixels
            loaded = self._loaded(place, 0 if place.box else CARD_PIXELS)
            seen.image = _part(loaded, place)
        except PictureError as error:
            seen.fail(error.reason, f"the picture {error}")
            return seen
        except MemberError as error:
            seen.fail("not-a-picture", f"the picture {error}")
            return seen
        seen.answers = self._answers(place)
        side = seen.answers.side
        backs = side.seen if side else self._config.backs
        try:
            seen.reading = read_card(seen.image, cut=self._cut(loaded), backs=backs)
        except Exception as error:  # noqa: BLE001 # one odd picture must not end a whole run
            seen.fail("reader-failed", f"the reader fails on it with {type(error).__name__}")
            return seen
        if self._config.printed_line == "compare" and not seen.reading.bad:
            said = self._said(seen.reading.patterns)
            seen.printed = compare_print(seen.image, seen.reading, said, recognise=True)
        _decide(seen, seen.reading, self._config.banners)
        return seen

    def _cut(self, loaded: Loaded) -> CutSaid:
        """Return which corner of a card is cut, as its job or its picture says."""
        cut = _CUTS[self._config.cut]
        return "upper left" if cut == "ask" and loaded.drawn else cut

    def picture(self, place: Place) -> Picture:
        """Return the picture of a card, as large as it came.

        Raises:
            PictureError, MemberError: it cannot be opened.
        """
        return _part(self._loaded(place, 0), place)

    def _loaded(self, place: Place, halved_beyond: int) -> Loaded:
        """Return the picture that a card is in; the last one is kept, since cards share them."""
        key = (place.member, place.page, halved_beyond)
        if self._last is None or self._last[0] != key:
            self._last = None  # first, so that not two of them are held
            self._last = (key, self._opened(place, halved_beyond))
        return self._last[1]

    def _opened(self, place: Place, halved_beyond: int) -> Loaded:
        member = self._index.members[place.member]
        most, page = most_pixels(self._config), None if place.page < 0 else place.page
        if page is not None and member.how != "deflated":
            with open_plain(self._data, member) as file:
                return load_picture(file, most, page, halved_beyond)
        return load_picture(io.BytesIO(self._bytes(member)), most, page, halved_beyond)

    def _bytes(self, member: Member) -> bytes:
        return read_member(self._data, member, most_bytes(self._config))

    def _answers(self, place: Place) -> Answers:
        found = self._index.answers(place)
        if len(found) > 1:
            return Answers(fault="are several files, or several pictures have this name")
        try:
            return read_answers(self._bytes(found[0])) if found else Answers()
        except (MemberError, AnswersError) as error:
            return Answers(fault=str(error))


def _part(loaded: Loaded, place: Place) -> Picture:
    return Box.from_numbers(place.box).of(loaded.image) if place.box else loaded.image


def _decide(seen: Seen, reading: CardReading, banners: str) -> None:
    """Put together what the program and a person have read, and enter what is to be said."""
    seen.known, seen.why = reading.decided & ~seen.doubted, reading.why
    seen.holes[seen.known] = reading.patterns[seen.known]
    answers = seen.answers
    if answers.no_card and _is_taken_out(seen, reading, answers.no_card):
        return
    if answers.fault:
        seen.fail("answers-unclear", f"the answers {answers.fault}")
    else:
        _take_side(seen, reading, answers)
        if answers.of:
            _take_answers(seen, reading, answers)
    if reading.bad and not seen.known.all():
        for damage in reading.facts.damages or ("please-look",):
            reason = damage.replace(" ", "-")
            seen.odd.append(Odd(reason, _asked(SAID.get(reason, damage))))
    elif not seen.known.all():
        for reason, wanted, why in (
            ("unsure", ~seen.known & ~seen.doubted, ""),
            ("printed-otherwise", ~seen.known & seen.doubted, ": the printed line differs"),
        ):
            columns = (np.flatnonzero(wanted) + 1).tolist()
            if columns:
                seen.fail(reason, _please_look(columns) + why, columns[0])
    fatal = any(odd.severity == "fatal" for odd in seen.odd)
    seen.state = ("bad" if reading.bad else "look") if fatal else "read"
    if fatal:
        seen.odd = [odd for odd in seen.odd if odd.severity == "fatal"]
    else:
        seen.why = "read, with a person's answers" if answers.of or answers.side else reading.why
        seen.odd += _notes(seen, reading, banners)


def _is_taken_out(seen: Seen, reading: CardReading, by: str) -> bool:
    """Return whether a picture is set aside in which a person sees no card."""
    if not reading.bad or reading.side_asked:
        seen.fail("answer-differs", f"a card is plain to see, and {by} says no card")
        return False
    seen.why = f"no card is on the picture, as {by} says"
    seen.odd.append(Odd("no-card", seen.why, "aside"))
    return True


def _please_look(columns: list[int]) -> str:
    named = ", ".join(map(str, columns[:_NAMED]))
    more = f" and {len(columns) - _NAMED} more" if len(columns) > _NAMED else ""
    return f"please look at column{'s' if len(columns) > 1 else ''} {named}{more}"


def _take_side(seen: Seen, reading: CardReading, answers: Answers) -> None:
    """Note which side a person saw; the reading has followed it where the cut corner tells so."""
    if answers.side is None:
        return
    side, by = answers.side.seen, answers.side.by
    if side == "back" and reading.facts.turn_certain and "back" not in reading.facts.turn:
        detail = f"by its cut corner its front is seen, and {by} says the back"
        seen.fail("answer-differs", detail)
        return
    seen.odd.append(Odd("read-by-person", f"its {side} is seen, as {by} says", "note"))


def _take_answers(seen: Seen, reading: CardReading, answers: Answers) -> None:
    """Take answers to what was asked; one that contradicts what was read is a reason to return."""
    if reading.bad and len(answers.of) < COLUMNS:
        detail = f"{len(answers.of)} of {COLUMNS} columns are answered; a card that cannot be "
        seen.fail("answers-missing", detail + "read as a whole needs them all")
        return
    if "several cards" in reading.facts.damages and not answers.one_card:
        detail = "more than one card seems to be in the picture; write 'one card' if that is not so"
        seen.fail("answers-missing", detail)
        return
    for column, answer in sorted(answers.of.items()):
        place = column - 1
        if seen.known[place]:
            if answer.holes != int(reading.patterns[place]):
                detail = f"column {column} is plain to read, and {answer.by} reads it otherwise"
                seen.fail("answer-differs", detail, column)
            continue
        if not seen.doubted[place] and not reading.bad:
            rows = _plain_rows(reading, place, answer.holes)
            if rows:
                detail = f"row {rows[0]} of column {column} is plain to read, and {answer.by} "
                seen.fail("answer-differs", detail + "reads it otherwise", column)
                continue
        seen.holes[place], seen.known[place] = answer.holes, True
        detail = f"column {column} as {answer.by} read it: {answer.said}"
        seen.odd.append(Odd("read-by-person", detail, "note", column))


def _plain_rows(reading: CardReading, place: int, holes: int) -> list[int]:
    """Return the names of rows of a column that are sure, and other than an answer says."""
    apart = int(reading.patterns[place]) ^ holes
    sure = ~reading.unsure[:, place]
    return [name for at, name in enumerate(ROWS) if sure[at] and apart >> (len(ROWS) - 1 - at) & 1]


def _asked(said: str) -> str:
    """Return what is wrong with a card, and what to do where that is not said."""
    return said if "; " in said else f"{said}; please check the card"


def _notes(seen: Seen, reading: CardReading, banners: str) -> list[Odd]:
    facts = reading.facts
    notes = [] if facts.turn == "upright" else [Odd("turned", f"it lies {facts.turn}", "note")]
    if facts.kind == "banner":
        said = "big letters of holes fill it"
        kinds: Mapping[str, Literal["fatal", "note", "aside"]] = {
            "set-aside": "aside", "return": "fatal", "keep": "note",
        }  # fmt: skip
        notes.append(Odd("banner", said, kinds[banners]))
        if banners == "return":
            seen.state, seen.why = "look", said
    return notes
