"""A service that is killed at random times, several times in a row, ends as if it had not been."""

from __future__ import annotations

import random

import pytest

from service.killer import Told, carry_out
from service.scenarios import TWENTY
from sets import sizes

MOST_IN_A_ROW = 5


def rows(many: int, seed: int) -> list[list[str]]:
    """Return plans of one to five kills in a row, at times that are parts of a whole run's time."""
    chance = random.Random(seed)  # noqa: S311 # repeatable
    return [
        [f"time:{chance.uniform(0, 0.8):.4f}" for _ in range(chance.randint(1, MOST_IN_A_ROW))]
        for _ in range(many)
    ]


@pytest.mark.parametrize("kills", sizes(9, slow=50, long=1000))
def test_killed_at_random_times_it_loses_doubles_and_changes_nothing(kills, counts):
    assert len(TWENTY.steps[0].decks) == 20
    told: list[Told] = []
    for seed in range(20):  # a process may have ended before its time comes, so: until it is enough
        told += carry_out("twenty", rows(kills // 3, seed))
        killed = sum(each.killed for each in told)
        if killed >= kills:
            break
    counts(rows=len(told), kills=killed)
    bad = [each for each in told if each.bad]
    assert not bad, f"{len(bad)} of {len(told)} rows of kills: {bad[0].plan}\n{bad[0].bad}"
    assert killed >= kills
