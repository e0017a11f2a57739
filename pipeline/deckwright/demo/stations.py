"""The station master of Orrin Vale: 240 invented stations as 80-column card images."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from deckwright.demo.dice import Dice

STATIONS = 240
"""Stations on the master."""

YEAR = 1957
"""The year of the demo decks."""

RENUMBERED_FROM = 6
"""Month from which two stations report under new numbers."""

CLOSED = 2
"""Stations that had closed before the year and whose observers still send cards."""

CHECK_WEIGHTS = (2, 3, 4, 5, 6)
"""Weights of the check digit, from the right of the number (modulo 11)."""

_ZONES = {"12": "{ABCDEFGHI", "11": "}JKLMNOPQR"}
_FIRST = (
    "ORRA",
    "VELL",
    "TUMBR",
    "BRIMM",
    "KESS",
    "DOLM",
    "FENDR",
    "GARR",
    "HUSK",
    "ISK",
    "LARN",
    "MOVR",
)
_SECOND = ("OMAR", "ITHEN", "UVALE", "ASKET", "ORRIN", "ENDEL", "OVRY", "ULDEN")
_PLACES = ("MILL", "BRIDGE", "SCHOOL", "LOCK", "FARM", "HILL", "POND", "GATE", "QUARRY", "SLUICE")


@dataclass(frozen=True, slots=True)
class Station:
    """One station. number: five digits and check digit; months as YYYYMM; height in metres."""

    number: str
    name: str
    latitude: int
    longitude: int
    height: int
    opened: str
    closed: str
    gauge: str
    observer: int

    def card(self) -> str:
        """Return the master card, 80 columns."""
        body = (
            f"SM{self.number}{self.name:<20}"
            f"{signed(self.latitude, 5)}{signed(self.longitude, 6)}{signed(self.height, 4)}"
            f"{self.opened}{self.closed:<6}{self.gauge}{self.observer:04d}"
        )
        return f"{body:<80}"


@dataclass(frozen=True, slots=True)
class Network:
    """The stations until May and from June, in order of number, and numbers no master knows."""

    until_may: tuple[Station, ...]
    from_june: tuple[Station, ...]
    strangers: tuple[str, ...]

    def in_month(self, month: int) -> tuple[Station, ...]:
        """Return the stations as the master lists them in a month (1 to 12)."""
        return self.until_may if month < RENUMBERED_FROM else self.from_june


def overpunched(digits: str, zone: str) -> str:
    """Return digits with row 11 or 12 over the last one, as the graphic of those holes.

    12-0 is `{`, 12-1 to 12-9 are A to I; 11-0 is `}`, 11-1 to 11-9 are J to R (signed overpunch
    as in COBOL manuals; holes of 12-0 and 11-0 as in ISO 6586:1980).
    """
    return digits[:-1] + _ZONES[zone][int(digits[-1])]


def signed(value: int, width: int) -> str:
    """Return a number of this width; 11 over the units when it is negative."""
    digits = f"{abs(value):0{width}d}"
    return overpunched(digits, "11") if value < 0 else digits


def check_digit(number: str) -> str:
    """Return the weighted modulus-11 check digit, or an empty text when it would be 10."""
    total = sum(int(d) * w for d, w in zip(reversed(number), CHECK_WEIGHTS, strict=True))
    check = -total % 11
    return "" if check == 10 else str(check)  # noqa: PLR2004 # such numbers are not issued


def make_network(seed: int) -> Network:
    """Return the invented network for a seed."""
    dice = Dice(seed)
    numbers = _numbers(dice)
    issued = [next(numbers) for _ in range(STATIONS + 40)]
    spare = set(dice.sample(range(1, len(issued)), 40))
    own = [number for place, number in enumerate(issued) if place not in spare]
    others = tuple(issued[place] for place in sorted(spare))
    names = dice.sample([f"{a}{b} {p}" for a in _FIRST for b in _SECOND for p in _PLACES], STATIONS)
    stations = [_station(dice, number, name) for number, name in zip(own, names, strict=True)]
    for place in dice.sample(range(STATIONS), CLOSED):
        stations[place] = replace(stations[place], closed=f"{YEAR - 1}{7 + dice.below(6):02d}")
    later = list(stations)
    movers = dice.sample([place for place, s in enumerate(stations) if not s.closed], 2)
    for place, number in zip(movers, others[:2], strict=True):
        later[place] = replace(stations[place], number=number)
    later.sort(key=lambda station: station.number)
    return Network(tuple(stations), tuple(later), others[2:])


def _numbers(dice: Dice) -> Iterator[str]:
    """Return station numbers with their check digits, rising, some with leading zeros."""
    number = 700
    while True:
        number += 5 + dice.below(290)
        text = f"{number:05d}"
        if check := check_digit(text):
            yield text + check


def _station(dice: Dice, number: str, name: str) -> Station:
    # far out at sea, where no rain gauge stands
    return Station(
        number=number,
        name=name,
        latitude=46_000 + dice.below(900),
        longitude=-31_000 - dice.below(1400),
        height=-1 - dice.below(4) if dice.chance(0.03) else 2 + dice.below(40) * dice.below(20),
        opened=f"{1871 + dice.below(80)}{1 + dice.below(12):02d}",
        closed="",
        gauge=dice.one_of("112223"),
        observer=1 + dice.below(900),
    )
