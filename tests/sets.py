"""How much of many like cases every run of the tests tries, and what waits for the slow set."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import settings

DEAR = settings(max_examples=10, deadline=None)
"""For properties whose every example is a run of a job, or several; the next time tries others."""


def first_line(cases: Iterable[Any], *kept: Any) -> list[Any]:
    """Return cases for `parametrize`: those kept as they are, the others marked as slow.

    A case for several arguments is a tuple of them.
    """
    every = list(cases)
    assert set(kept) < set(every), f"none of them: {set(kept) - set(every)}"
    return [case if case in kept else _slow(case) for case in every]


def _slow(case: Any) -> Any:
    values = case if isinstance(case, tuple) else (case,)
    return pytest.param(*values, marks=pytest.mark.slow)


def sizes(default: int | None = None, *, slow: int | None = None, long: int) -> list[Any]:
    """Return how often a thing is tried in each set, for `parametrize`; None for never."""
    found: list[Any] = [] if default is None else [default]
    if slow is not None:
        found.append(pytest.param(slow, marks=pytest.mark.slow))
    return [*found, pytest.param(long, marks=pytest.mark.long)]
