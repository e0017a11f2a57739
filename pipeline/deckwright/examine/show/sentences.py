"""Sentences of an examination that page and terminal share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from deckwright.examine.model import Examination, Guess, PictureFacts
from deckwright.examine.show.proposing import toml
from deckwright.wording import percent, plural

CAUTION = (
    "This page repeats what is punched on cards. Where that may be about persons, treat it like "
    "the cards themselves."
)

_COLUMNS = 8
_RUN = 3
_MOST_IN_GROUP = 6


def headline(found: Examination) -> str:
    """Return what the deck is, in one line."""
    if not found.counted:
        return "What it lies on is not certain."
    kind = str(found.reading.options.get("kind"))
    inside = found.reading.options.get("inside")
    if isinstance(inside, Mapping):
        kind = f"{kind}, inside {inside.get('kind')}"
    code = found.code.name if found.code else ""
    if found.pictures is not None:
        files = " and ".join(f"{n:,} {kind}" for kind, n in sorted(found.pictures.kinds.items()))
        return (
            f"Pictures ({files}): {plural(found.cards, 'card')}, "
            f"{found.pictures.looked_at:,} of them looked at; read in code {code}."
        )
    decks = f"{len(found.decks)} decks, stacked: " if len(found.decks) > 1 else ""
    return f"{decks}{plural(found.cards, 'card')} of {found.width} columns; {kind} in code {code}."


def verdict(found: Examination) -> str:
    """Return how sure medium and code are."""
    reading = found.reading
    if found.pictures is not None:
        open_code = "" if reading.sure else "; the code is open, see the question"
        return f"{pictures_read(found.pictures)}{open_code}"
    code = found.code.name if found.code else ""
    if not reading.sure:
        return f"Something is open, see the question: read in code {code} for now"
    if reading.media is None:
        return f"Read as named, in code {code}"
    best = reading.candidates[0].score
    ahead = f"score {best:.2f}; runner-up {best - reading.media.margin:.2f}"
    alike = "" if reading.runner_up else "; no other likely code would change a single character"
    return f"Medium and code are clear ({ahead}){alike}"


def basis(found: Examination) -> str:
    """Return what the guesses rest on."""
    if found.pictures is not None and found.looked_at < found.cards:
        return (
            f"Guessed, and counted by column, from the {plural(found.looked_at, 'card')} that "
            f"could be read without doubt of {found.pictures.looked_at:,} looked at; no other "
            "picture was opened."
        )
    if found.looked_at >= found.data_cards:
        return f"Guessed from all {plural(found.data_cards, 'data card')}."
    return (
        f"Guessed from {found.looked_at:,} of {found.data_cards:,} data cards, taken from all "
        "across the deck; counts by column, odd cards and running numbers are of every card."
    )


def fields_said(found: Examination) -> str:
    """Return how much of what is punched lies in fields that are likely or better."""
    guesses = [(one, guess) for one in found.types.types for guess in one.guesses]
    fields = [(one, guess) for one, guess in guesses if guess.what != "not used"]
    if not fields:
        return "Fields were not guessed: there are too few cards"
    cells = {id(guess): one.cards * guess.width for one, guess in fields}
    likely = [guess for _, guess in fields if guess.strength != "possible"]
    share = sum(cells[id(guess)] for guess in likely) / max(1, sum(cells.values()))
    return (
        f"Fields are guesses: {len(likely):,} of {plural(len(fields), 'field')}, with "
        f"{percent(share)} of the columns that are used, are likely or better"
    )


def pictures_read(facts: PictureFacts) -> str:
    """Return how well pictures of cards can be read, by the few looked at."""
    said = f"{facts.good:,} of {plural(facts.looked_at, 'picture')} looked at"
    return f"{said} can be read without asking a person"


def picture_lines(facts: PictureFacts) -> list[tuple[str, str]]:
    """Return what pictures of cards are like: names and sentences."""
    least, most = (f"{value:.0f}" for value in facts.ppi)
    ppi = "not known" if not facts.ppi[1] else least if least == most else f"{least} to {most}"
    turns = ", ".join(f"{n:,} {turn}" for turn, n in facts.turns.items())
    unknown = f"{facts.turn_unknown:,} whose corners do not tell" if facts.turn_unknown else ""
    share = f"{facts.unsure:,} of {facts.columns:,} columns of readable cards are not sure"
    damages = ", ".join(f"{n:,} {damage}" for damage, n in facts.damages.items())
    return [
        ("Size", facts.sizes or "none could be opened"),
        ("Pixels per inch", f"{ppi}, by the length of the cards"),
        ("Shown", ", ".join(_shown(what, n) for what, n in facts.what.items()) or "nothing"),
        ("Lying", ", ".join(part for part in (turns, unknown) if part) or "not known"),
        ("Cut", "taken to be at the upper left of the fronts, where --medium says nothing else"),
        ("Sureness", share if facts.columns else "no card could be read"),
        ("Damages", damages or "none seen"),
    ]


def _shown(what: str, number: int) -> str:
    names = {"blank": "blank card", "banner": "banner card", "not a card": "picture without a card"}
    return (
        plural(number, names.get(what, what))
        if number == 1 or what != "not a card"
        else (f"{number:,} pictures without a card")
    )


def differing_said(found: Examination) -> str:
    """Return which cells the runner-up among the codes reads differently."""
    reading = found.reading
    cells = sum(reading.differs.values())
    most = sorted(reading.differs.items(), key=lambda one: (-one[1], one[0]))[:_COLUMNS]
    columns = ", ".join(f"{column} ({number:,})" for column, number in most)
    left = len(reading.differs) - len(most)
    more = f" and {plural(left, 'more column')}" if left > 0 else ""
    if not cells:
        return f"{reading.runner_up} would change no character."
    return (
        f"The next code, {reading.runner_up}, would change {plural(cells, 'character')} of the "
        f"cards looked at, in columns {columns}{more}."
    )


@dataclass(frozen=True, slots=True)
class Group:
    """Fields of one type and width along the card, told as one.

    guess: the first; where they lie side by side its columns are those of all. fields: how many.
    step: columns from one to the next; 0 where there is one.
    """

    guess: Guess
    fields: int = 1
    step: int = 0

    @property
    def each(self) -> str:
        """How many fields of how many columns; empty where there is one."""
        if self.fields == 1:
            return ""
        width = self.guess.width
        if width >= self.step * self.fields:
            return f"{plural(self.fields, 'field')} of {plural(width // self.fields, 'column')}"
        words = plural(width, "column")
        return f"{plural(self.fields, 'field')} of {words}, one every {self.step} columns"


def grouped(guesses: Sequence[Guess]) -> list[Group]:
    """Return guesses, with those folded that repeat along the card three times or more."""
    found: list[Group] = []
    at = 0
    while at < len(guesses):
        period, copies = _repeat(guesses, at)
        if copies < _RUN:
            found.append(Group(guesses[at]))
            at += 1
            continue
        end = at + period * copies
        step = guesses[at + period].first - guesses[at].first
        for place in range(at, at + period):
            guess = guesses[place]
            if period == 1:
                guess = replace(guess, last=guesses[end - 1].last)
            found.append(Group(guess, copies, step))
        at = end
    return found


def _repeat(guesses: Sequence[Guess], at: int) -> tuple[int, int]:
    """Return how many guesses repeat from one on, and how often; the most that are folded so."""
    best = (1, 1)
    for period in range(1, _MOST_IN_GROUP + 1):
        copies = 1
        while _same(guesses, at, at + period * copies, period):
            copies += 1
        told = [guess.what for guess in guesses[at : at + period]]
        dull = all(what == "not used" for what in told) or (period == 1 and told == ["text"])
        if not dull and copies >= _RUN and period * copies > best[0] * best[1]:
            best = (period, copies)
    return best


def _same(guesses: Sequence[Guess], one: int, other: int, count: int) -> bool:
    """Return whether some guesses are as others that stand a fixed way before them."""
    if other + count > len(guesses):
        return False
    pairs = list(zip(guesses[one : one + count], guesses[other : other + count], strict=True))
    way = {there.first - here.first for here, there in pairs}
    side_by_side = all(
        there.first == here.last + 1 for here, there in pairwise(guesses[other - 1 : other + count])
    )
    return (
        len(way) == 1
        and side_by_side
        and all(
            (here.what, here.width, here.strength) == (there.what, there.width, there.strength)
            for here, there in pairs
        )
    )


def options_toml(options: Mapping[str, object]) -> str:
    """Return a table of options as --medium takes it."""
    return toml(options)
