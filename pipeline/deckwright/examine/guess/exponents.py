"""Numbers with exponents in the columns of a field: how they are written, and in which unit."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from deckwright.jobs.exponentforms import MAX_FIGURES

_NUMBER = re.compile(
    r" *(?P<sign>[+-]?)(?P<whole>\d*)(?P<point>\.?)(?P<behind>\d*)"
    r"(?P<letter>[ED]?)(?P<power>[+-]\d+|(?<=[ED])\d+) *"
)
_SAMPLED = 2_000  # cards, beyond which a smaller unit may stand among those not seen
_SPARE = 2
_LEAST_LEFT = 0.5  # of the texts that end in a blank, where numbers stand on the left


def exponent_options(cells: NDArray[np.uint8], looked_at: int) -> dict[str, object] | None:
    """Return the options of a field that holds such numbers; None where no unit holds them all.

    Args:
        cells: filled texts, uint8 (w, n), internal bytes.
        looked_at: cards that they come from; of a part of a deck the unit is taken smaller.
    """
    texts = Counter(bytes(column).decode("latin-1") for column in cells.T)
    parts = [(found, times) for text, times in texts.items() if (found := _NUMBER.fullmatch(text))]
    if not parts:
        return None
    unit, most = _range([found for found, _ in parts])
    decimals = max(0, -unit)
    if looked_at >= _SAMPLED and decimals:
        decimals += _SPARE
    if most + decimals > MAX_FIGURES:
        return None
    options: dict[str, object] = {
        "kind": "exponent",
        "form": _form(parts, len(cells)),
        "decimals": decimals,
    }
    if any(found["sign"] for found, _ in parts):
        options["sign"] = "leading"
    ends = sum(times for text, times in texts.items() if text.endswith(" "))
    if ends > _LEAST_LEFT * texts.total():
        options["justify"] = "left"
    return options


def _range(found: list[re.Match[str]]) -> tuple[int, int]:
    """Return the power of ten of the last digit that counts, and digits before the point."""
    unit, most = 0, 1
    for one in found:
        digits = one["whole"] + one["behind"]
        kept = digits.rstrip("0")
        if not kept:
            continue
        power = int(one["power"]) - len(one["behind"])
        unit = min(unit, power + len(digits) - len(kept))
        most = max(most, power + len(digits.lstrip("0")))
    return unit, most


def _form(parts: list[tuple[re.Match[str], int]], width: int) -> str:
    """Return the form of most of the numbers, no wider than the field and its sign."""
    leads: Counter[str] = Counter()
    letters: Counter[str] = Counter()
    for one, times in parts:
        whole = one["whole"]
        leads["" if not whole and one["point"] else "0" if whole == "0" else "9"] += times
        letters[one["letter"]] += times
    lead, letter = _most(leads), _most(letters)
    power = min(3, max(len(one["power"].lstrip("+-")) for one, _ in parts))
    figures = max(len(one["whole"].lstrip("0") + one["behind"]) for one, _ in parts)
    behind = figures - (lead == "9")
    signed = any(one["sign"] for one, _ in parts)
    room = width - signed - len(lead) - 1 - len(letter) - 1 - power
    behind = max(0, min(behind, room, MAX_FIGURES - 1))
    point = "." if behind or not lead else ""
    return f"{lead}{point}{'9' * behind}{letter}+{'9' * power}"


def _most(counts: Mapping[str, int]) -> str:
    return max(counts, key=lambda one: (counts[one], one))
