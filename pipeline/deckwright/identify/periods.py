"""How long the records of a deck without line ends are: the length under which columns say most.

Under the right length each column holds its own few values; under a wrong one every column holds
a bit of everything. What a length leaves to be said is counted in bits a byte.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CARD = 80
"""Columns of a card: the length that is taken where nothing speaks for another."""

KNOWN_LENGTHS = (80, 72, 90, 96, 100, 120, 128, 132, 133, 136, 160)
"""Lengths that are always tried: cards, their images, lines of printers."""

_SHORTEST, _LONGEST = 12, 2_048
_LAGS = 14  # lengths that are taken from how often bytes come again
_FEWEST = 8  # records
_A_SET = 0.85  # of the bits, that a set of cards may leave at most for it to be one
_TELLS = 0.02  # bits a byte, that a length must save to be one
_SAME = 0.02  # bits a byte, within which a divisor says as much
_STEEP = 1.5
_WEIGHT = 2.0  # records, as which the whole deck counts when a column is told
_UP = 5
_LONG, _LEAST_PART = 160, 40  # longer records may be sets of shorter ones
_KNOWN, _OTHER = 0.97, 0.93  # what is left of the score of a length that is not a card's


@dataclass(frozen=True, slots=True)
class Length:
    """A record length.

    keeps: 0 to 1, against the best. whole: the deck is a multiple of it. doubt: another length that
    may be meant, since records may come in sets; 0: none.
    """

    length: int
    keeps: float
    whole: bool
    evidence: str
    doubt: int = 0


def record_lengths(stretch: NDArray[np.uint8], size: int) -> list[Length]:
    """Return lengths that the records of a deck may have, the best first.

    Args:
        stretch: uint8 (k), bytes from the deck, in one piece.
        size: bytes of the whole deck.
    """
    flat = _bits(stretch, 1)
    bits = {length: _bits(stretch, length) for length in _candidates(stretch, size)}
    telling = {length: one for length, one in bits.items() if one < flat - _TELLS}
    whole = {length: one for length, one in telling.items() if size % length == 0}
    if not telling:
        return _untold(size)
    best, doubt = _best(whole or telling, bits, flat)
    least = bits[doubt or best]
    found = []
    for length, one in bits.items():
        alias = length % best == 0 or (doubt and doubt % length == 0) or size % length
        if length != best and alias:
            continue
        prior = 1.0 if length == CARD else _KNOWN if length in KNOWN_LENGTHS else _OTHER
        # where little is to be said at all, little more is much
        loss = (
            0.0
            if length == best
            else max(0.0, one - least) * max(1.0, 1 / max(_TELLS, flat - least))
        )
        keeps = float(np.exp(-_STEEP * loss)) * (1.0 if length == best else prior)
        said = f"records of {length} bytes, that leave {one:.2f} bits a byte to be said"
        said += f" where any other order leaves {flat:.2f}"
        other = doubt if length == best else 0
        found.append(Length(length, keeps, size % length == 0, said, other))
    return sorted(found, key=lambda one: -one.keeps)


def _untold(size: int) -> list[Length]:
    """Return lengths for bytes that no length brings in order: those that divide the deck."""
    said = "records of {} bytes, which nothing but the size of the deck speaks for"
    if size % CARD == 0:
        return [Length(CARD, 1.0, whole=True, evidence=said.format(CARD))]
    fits = [length for length in KNOWN_LENGTHS if size % length == 0]
    found = [Length(length, _OTHER, whole=True, evidence=said.format(length)) for length in fits]
    return found or [Length(CARD, 1.0, whole=False, evidence=f"records of {CARD} bytes")]


def _best(bits: dict[int, float], every: dict[int, float], flat: float) -> tuple[int, int]:
    """Return the length that leaves least to be said, and one that may be meant instead.

    A record may be a set of cards that take turns, which the bytes alone do not tell. Then the
    length of a card comes first.

    Args:
        bits: by length, of those that say anything.
        every: the same of all that were tried.
        flat: bits where no length is assumed.
    """
    best = min(bits, key=lambda length: (bits[length], length))
    parts = [length for length in bits if length < best and best % length == 0]
    best = min((part for part in parts if bits[part] <= bits[best] + _SAME), default=best)
    if best != CARD and best % CARD == 0 and CARD in every:
        return CARD, best if bits[best] < _A_SET * every[CARD] else 0
    halves = [
        part
        for part in parts
        if best > _LONG and part >= _LEAST_PART and flat - bits[part] >= (flat - bits[best]) / 2
    ]
    return best, max(halves, key=lambda part: flat - bits[part], default=0)


def _candidates(stretch: NDArray[np.uint8], size: int) -> Sequence[int]:
    """Return lengths to try: those of cards, and those at which bytes come again most often."""
    longest = min(_LONGEST, len(stretch) // _FEWEST)
    if longest < _SHORTEST:
        return [CARD]
    some = stretch[: 1 << 15]
    lags = np.arange(_SHORTEST, longest + 1)
    again = np.array([(some[lag:] == some[:-lag]).mean() for lag in lags.tolist()])
    often = lags[np.argsort(-again, kind="stable")].tolist()
    whole = [lag for lag in often if size % lag == 0]
    known = [length for length in KNOWN_LENGTHS if length <= longest]
    parts = {lag // part for lag in often[:3] for part in (2, 3, 4) if lag % part == 0}
    chosen = {*known, *often[:_LAGS], *whole[:_LAGS], *parts}
    return sorted(length for length in chosen if _SHORTEST <= length <= longest)


def _bits(stretch: NDArray[np.uint8], length: int) -> float:
    """Return how many bits a byte are left to be said when records have this length.

    Each column is told byte by byte by one who knows how often each byte comes up in the whole
    deck, and learns with every record what this column holds: the marginal likelihood of a
    Dirichlet prior. So few records are no reason for a short length, nor many values for a long
    one.
    """
    count = len(stretch) // length
    if not count:
        return 8.0
    cells = stretch[: count * length]
    columns = np.arange(length, dtype=np.int64) * 256
    places = (cells.reshape(count, length) + columns).ravel()
    counts = np.bincount(places, minlength=length * 256).reshape(length, 256)
    shares = np.bincount(cells, minlength=256) / len(cells)
    column, value = np.nonzero(counts)
    weight = _WEIGHT * shares[value]
    learnt = _log_gamma(weight + counts[column, value]) - _log_gamma(weight)
    whole = _log_gamma(np.array([_WEIGHT + count, _WEIGHT]))
    nats = length * (whole[0] - whole[1]) - learnt.sum()
    return float(nats / np.log(2) / (count * length))


def _log_gamma(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the logarithm of the gamma function of positive numbers, to 9 digits.

    Stirling's series, five steps up, where it is near enough (Abramowitz and Stegun 6.1.41).
    """
    up = x + _UP
    steps = np.log(x)
    for step in range(1, _UP):
        steps += np.log(x + step)
    series = (up - 0.5) * np.log(up) - up + 0.5 * np.log(2 * np.pi)
    found: NDArray[np.float64] = series + 1 / (12 * up) - 1 / (360 * up**3) - steps
    return found
