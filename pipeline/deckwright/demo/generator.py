"""The monthly decks of the demo network, first as they should be, then with faults seeded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from deckwright.cards.holes import row_bit
from deckwright.demo.dice import Dice
from deckwright.demo.punched import Card, Deck, hole_names
from deckwright.demo.stations import Network, Station
from deckwright.demo.truth import SeededFault
from deckwright.demo.weather import (
    CARD_SUM,
    FALLS,
    FIRST_FALL,
    Fall,
    day_card,
    days_in,
    station_falls,
    total_card,
    valley_days,
)

_TOTAL = 4
_ELEVENTH = FIRST_FALL + 4 * (FALLS - 1)
_DROPPED = 40


@dataclass(slots=True)
class _Month:
    """The month at work: its stations in order of number with their falls, its dice, its deck."""

    month: int
    dice: Dice
    falls: dict[str, list[Fall]]
    deck: Deck
    whole: Iterator[Card]
    """Day cards that carry no fault yet, in drawn order."""

    def next_card(self, fits: Callable[[Card], bool]) -> Card:
        """Return a day card without a fault that fits; others go back for later."""
        passed = []
        for card in self.whole:
            if fits(card):
                break
            passed.append(card)
        else:
            msg = "no card of this month takes the fault; another seed will"
            raise ValueError(msg)
        self.whole = iter([*self.whole, *passed])
        return card


def make_deck(network: Network, month: int, seed: int) -> Deck:
    """Return the deck of a month (1 to 12) with every fault seeded and noted."""
    dice = Dice(seed, month)
    stations = network.in_month(month)
    special = {s.number for s in stations if s.closed}
    absent = sorted(dice.sample([s.number for s in stations if s.number not in special], 3))
    strangers = sorted(dice.sample(network.strangers, 2))
    senders = sorted([s.number for s in stations if s.number not in absent] + strangers)
    hardness = valley_days(dice, month)
    falls = {number: station_falls(dice, hardness) for number in senders}
    gathered = _gather_untagged(dice, falls, special.union(strangers))
    deck = Deck(_cards(month, falls))
    reserved = special.union(strangers)
    reserved.update(station for station, _, _ in gathered)
    days = [c for c in deck.cards if c.number != _TOTAL and c.station not in reserved]
    work = _Month(month, dice, falls, deck, iter(dice.shuffled(days)))
    _note_stations(deck, stations, strangers, absent)
    _note_untagged(work, gathered)
    for seed_faults in (
        _swap_stations,
        _spoil_sums,
        _shift,
        _misplace_zeros,
        _exchange,
        _spoil_holes,
    ):
        seed_faults(work)
    _lose_totals(work, reserved)
    _double(work)
    _drop(work)
    return deck


def _cards(month: int, falls: dict[str, list[Fall]]) -> list[Card]:
    cards: list[Card] = []
    for station, entries in falls.items():
        for number in (1, 2, 3, _TOTAL):
            serial = f"V{month:02d}{10 * (len(cards) + 1):05d}"
            if number == _TOTAL:
                text = total_card(station, month, entries, serial)
            else:
                text = day_card(station, month, number, entries, serial)
            cards.append(Card(station, number, text))
    return cards


def _note_stations(
    deck: Deck, stations: tuple[Station, ...], strangers: list[str], absent: list[str]
) -> None:
    of = {number: [c for c in deck.cards if c.station == number] for number in strangers}
    for number in strangers:
        deck.enter(
            SeededFault("unknown-station", number, columns=(3, 8), stands=number), of[number]
        )
    for station in stations:
        if station.closed:
            own = [card for card in deck.cards if card.station == station.number]
            note = f"closed {station.closed}"
            deck.enter(
                SeededFault("closed-station", station.number, columns=(9, 14), note=note), own
            )
    for number in absent:
        deck.enter(SeededFault("station-without-cards", number))


def _gather_untagged(
    dice: Dice, falls: dict[str, list[Fall]], avoid: set[str]
) -> list[tuple[str, int, Fall]]:
    """Make three read zeros and a big untagged fall of it at five stations; say where."""
    made = []
    for station in dice.sample([number for number in falls if number not in avoid], 5):
        first = 10 * dice.below(2) + dice.below(7)
        amount = 120 + dice.below(380)
        falls[station][first : first + 4] = [Fall(0), Fall(0), Fall(0), Fall(amount)]
        made.append((station, first, Fall(amount, "accumulated")))
    return made


def _note_untagged(work: _Month, gathered: list[tuple[str, int, Fall]]) -> None:
    for station, first, tagged in gathered:
        wanted = first // 10 + 1
        card = next(c for c in work.deck.cards if c.station == station and c.number == wanted)
        column = FIRST_FALL + 4 * (first % 10)
        columns = (column, column + 15)
        should = " " * 12 + tagged.punched()
        fault = SeededFault(
            "untagged-accumulation", station, (), columns, card.at(*columns), should
        )
        work.deck.enter(fault, [card])


def _swap_stations(work: _Month) -> None:
    for _ in range(3):
        card = work.next_card(lambda card: len(set(card.at(3, 7))) > 1)
        number = card.at(3, 7)
        place = work.dice.one_of([i for i in range(4) if number[i] != number[i + 1]])
        wrong = _swapped(number, place)
        _replace(work, "swapped-station", card, 3, wrong)


def _spoil_sums(work: _Month) -> None:
    for kind in ("swap", "swap", "slide", "wrong digit", "wrong digit", "wrong digit"):
        card = work.next_card(lambda card: card.at(60, 60) == "0" and len(set(card.at(61, 64))) > 1)
        _replace(work, "bad-card-sum", card, CARD_SUM[0], _spoilt(work.dice, card, kind), note=kind)


def _spoilt(dice: Dice, card: Card, kind: str) -> str:
    total = card.at(*CARD_SUM)
    if kind == "slide":
        return f"{total[1:]}0"
    if kind == "swap":
        place = dice.one_of([i for i in range(4) if total[i] != total[i + 1]])
        return _swapped(total, place)
    place = 2 + dice.below(3)
    digit = (int(total[place]) + 1 + dice.below(9)) % 10
    return f"{total[:place]}{digit}{total[place + 1 :]}"


def _shift(work: _Month) -> None:
    card = work.next_card(lambda card: " " not in card.at(FIRST_FALL, FIRST_FALL + 39))
    text = f" {card.at(FIRST_FALL, 79)}"
    _replace(work, "shifted-card", card, FIRST_FALL, text, note="from column 16 on")


def _misplace_zeros(work: _Month) -> None:
    """Punch three zeros where the card or the month has no day; the layout can see these."""
    long_month = days_in(work.month) == 31  # noqa: PLR2004
    for _ in range(3):
        card = work.next_card(lambda card: not long_month or card.number < 3)  # noqa: PLR2004
        _replace(work, "fall-on-no-day", card, _ELEVENTH, "0000")


def _exchange(work: _Month) -> None:
    """Exchange blank and zero on seven real days, three into zeros and four into blanks."""
    for stands, becomes in [("    ", "0000")] * 3 + [("0000", "    ")] * 4:
        card = work.next_card(lambda card, sought=stands: bool(_days_with(card, sought)))  # type: ignore[misc] # the default binds the loop's value
        column = work.dice.one_of(_days_with(card, stands))
        _replace(work, "blank-zero-exchange", card, column, becomes)


def _days_with(card: Card, punched: str) -> list[int]:
    columns = range(FIRST_FALL, FIRST_FALL + 32, 4)
    return [column for column in columns if card.at(column, column + 3) == punched]


def _spoil_holes(work: _Month) -> None:
    """Punch a second hole into rows 1 to 7 of a column, which no character has."""
    for _ in range(2):
        card = work.next_card(lambda card: bool(_one_to_seven(card)))
        column = work.dice.one_of(_one_to_seven(card))
        digit = int(card.at(column, column))
        other = work.dice.one_of([row for row in range(1, 8) if row != digit])
        card.extra[column] = row_bit(other)
        holes = hole_names(card, column)
        fault = SeededFault(
            "illegal-pattern", card.station, (), (column, column), holes, str(digit)
        )
        work.deck.enter(fault, [card])


def _one_to_seven(card: Card) -> list[int]:
    columns = range(FIRST_FALL, FIRST_FALL + 40)
    return [column for column in columns if card.at(column, column) in "1234567"]


def _lose_totals(work: _Month, reserved: set[str]) -> None:
    totals = [c for c in work.deck.cards if c.number == _TOTAL and c.station not in reserved]
    for card in work.dice.sample(totals, 4):
        work.deck.cards.remove(card)
        work.deck.enter(SeededFault("missing-total-card", card.station, should=card.text))


def _double(work: _Month) -> None:
    card = work.next_card(lambda _: True)
    again = card.copy()
    work.deck.cards.insert(work.deck.cards.index(card) + 1, again)
    work.deck.enter(SeededFault("doubled-card", card.station, note=f"card {card.number}"), [again])


def _drop(work: _Month) -> None:
    cards = work.deck.cards
    first = work.dice.below(len(cards) - _DROPPED)
    dropped = cards[first : first + _DROPPED]
    cards[first : first + _DROPPED] = work.dice.shuffled(dropped)
    serials = f"{dropped[0].at(76, 80)} to {dropped[-1].at(76, 80)}"
    fault = SeededFault("dropped-cards", "", (), (76, 80), "", f"serials {serials} in order")
    work.deck.enter(fault, dropped)


def _replace(
    work: _Month, kind: str, card: Card, column: int, what: str, *, note: str = ""
) -> None:
    columns = (column, column + len(what) - 1)
    fault = SeededFault(kind, card.station, (), columns, what, card.at(*columns), note)
    card.put(column, what)
    work.deck.enter(fault, [card])


def _swapped(text: str, place: int) -> str:
    return f"{text[:place]}{text[place + 1]}{text[place]}{text[place + 2 :]}"
