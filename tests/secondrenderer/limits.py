"""What a count of errors says about the rate behind it."""

from __future__ import annotations

import math


def upper_limit(errors: int, trials: int, confidence: float = 0.95) -> float:
    """Return the highest rate at which so few errors would still be seen once in twenty times.

    Exact for a binomial count, one-sided; without errors it is near three through the trials.
    """
    if errors >= trials:
        return 1.0
    low, high = errors / trials, 1.0
    for _ in range(100):
        middle = (low + high) / 2
        if _at_most(errors, trials, middle) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


def _at_most(errors: int, trials: int, rate: float) -> float:
    """Return the probability of at most so many errors."""
    if rate >= 1:
        return 0.0
    total = 0.0
    for number in range(errors + 1):
        ways = math.lgamma(trials + 1) - math.lgamma(number + 1) - math.lgamma(trials - number + 1)
        total += math.exp(ways + number * math.log(rate) + (trials - number) * math.log1p(-rate))
    return total
