"""The rain of one month: what each observer wrote down, and the cards punched from it."""

from __future__ import annotations

from calendar import monthrange
from dataclasses import dataclass
from typing import Literal

from deckwright.demo.dice import Dice
from deckwright.demo.stations import YEAR, overpunched

FIRST_FALL = 16
"""Column of the first fall on a day card."""

FALLS = 11
"""Falls a day card has room for."""

CARD_SUM = (60, 64)
"""Columns of the card sum."""


@dataclass(frozen=True, slots=True)
class Fall:
    """One entry of the observer. amount: tenths of a millimetre, None = not read."""

    amount: int | None
    flag: Literal["", "trace", "accumulated"] = ""

    def punched(self) -> str:
        """Return the four columns of the fall."""
        if self.amount is None:
            return "    "
        digits = f"{self.amount:04d}"
        if not self.flag:
            return digits
        return overpunched(digits, "11" if self.flag == "trace" else "12")


def days_in(month: int) -> int:
    """Return the days of a month of the demo's year."""
    return monthrange(YEAR, month)[1]


def valley_days(dice: Dice, month: int) -> list[int]:
    """Return for each day how hard it rains in the valley; 0 = dry (a two-state chain).

    One of the first thirty is wet: where nothing but zeros stands, no card takes the faults.
    """
    wet = dice.chance(0.4)
    hardness = []
    for _ in range(days_in(month)):
        wet = dice.chance(0.66 if wet else 0.27)
        hardness.append(40 + dice.below(340) if wet else 0)
    if not any(hardness[:30]):
        hardness[dice.below(28)] = 40 + dice.below(340)
    return hardness


def station_falls(dice: Dice, hardness: list[int]) -> list[Fall]:
    """Return what one observer wrote down in the month, absences included."""
    falls = [_fall(dice, hard) for hard in hardness]
    if dice.chance(0.35):
        away, first = 1 + dice.below(3), dice.below(len(falls) - 4)
        gathered = sum(fall.amount or 0 for fall in falls[first : first + away + 1])
        falls[first : first + away] = [Fall(None)] * away
        falls[first + away] = Fall(gathered, "accumulated")
    return falls


def day_card(number: str, month: int, card: int, falls: list[Fall], serial: str) -> str:
    """Return day card 1, 2 or 3 of a station; serial: columns 73 to 80."""
    first = (card - 1) * 10
    here = falls[first : first + 10] if card < 3 else falls[first:]  # noqa: PLR2004 # card 3 takes the rest
    punched = "".join(fall.punched() for fall in here)
    total = sum(fall.amount or 0 for fall in here)
    head = f"RG{number}{YEAR}{month:02d}{card}"
    return f"{head}{punched:<{FALLS * 4}}{total:05d}{'':8}{serial}"


def total_card(number: str, month: int, falls: list[Fall], serial: str) -> str:
    """Return card 4 of a station: total, rain days, greatest fall and its day."""
    amounts = [fall.amount or 0 for fall in falls]
    total, greatest = sum(amounts), max(amounts)
    rainy = sum(1 for amount in amounts if amount)
    day = f"{amounts.index(greatest) + 1:02d}" if greatest else "  "
    head = f"RG{number}{YEAR}{month:02d}4"
    return f"{head}{total:05d}{rainy:02d}{greatest:04d}{day}{'':44}{serial}"


def _fall(dice: Dice, hardness: int) -> Fall:
    if not hardness or dice.chance(0.15):
        return Fall(0, "trace") if dice.chance(0.06) else Fall(0)
    amount = int(dice.unit() * dice.unit() * hardness)
    return Fall(amount) if amount else Fall(0, "trace")
