"""How many cards are held at a time, and by how many workers."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

SMALL_DECK = 150_000
"""Cards up to which a run stays in one process: starting workers costs more than the deck."""

_MIB = 2**20
_TASK_SHARE = 8  # a task's columns may fill this part of the limit
_TASK_MOST = 96 * _MIB  # larger tasks were no faster, and leave memory for fewer workers
_LEAST = 200
# resident memory, measured on the reference chain: libraries, and what a task's columns come to
_MAIN, _MAIN_A_TASK = 130 * _MIB, 2.4
_WORKER, _WORKER_A_TASK = 110 * _MIB, 1.4


@dataclass(frozen=True, slots=True)
class Sizes:
    """How the cards are cut; no size changes a byte of a delivery. For tests and measurements.

    cards_a_group: most cards of one group, beyond which a run is refused; None = by the memory.
    """

    cards_a_task: int
    cards_a_tray: int
    cards_a_group: int | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """None but workers depends on the number of workers, only on job and record width.

    cards_a_range: most cards of a range that is gathered at once; where groups stay whole, one
    with more is parted again. cards_a_group: most cards of a group, gathered while nothing else
    runs.
    """

    cards_a_task: int
    workers: int
    cards_a_range: int
    cards_a_group: int


_RANGE = 2  # samples cut ranges of up to so many tasks' cards
_GROUP_SHARE = 0.6  # of the memory left, for one group; measured: 390 to 490 bytes a card of 80
_UNIT = 64 * _MIB


def memory_for_group(cards: int, width: int) -> str:
    """Return the memory, as a job says it, that holds a group of so many cards."""
    need = _MAIN + cards * (4 * width + 160) / _GROUP_SHARE
    return f"{int(-(-need // _UNIT) * _UNIT // _MIB)} MiB"


def limits(memory: int, width: int, cards: int, workers: int | None) -> Limits:
    """Return the limits of a run.

    Args:
        memory: bytes for the whole run.
        width: columns of a record.
        cards: cards of the run.
        workers: what the user asked for; None = one a core.
    """
    task = min(memory // _TASK_SHARE, _TASK_MOST)
    cards_a_task = max(_LEAST, task // (4 * width + 160))
    if workers is None:
        cores = len(os.sched_getaffinity(0))
        left = memory - _MAIN - _MAIN_A_TASK * task
        fitting = 1 + max(0, int(left / (_WORKER + _WORKER_A_TASK * task)))
        workers = 1 if cards <= SMALL_DECK else min(cores, fitting)
    largest = int(_GROUP_SHARE * (memory - _MAIN) / (4 * width + 160))
    cards_a_range = _RANGE * cards_a_task
    return Limits(cards_a_task, max(1, workers), cards_a_range, max(cards_a_range, largest))


def sized(limit: Limits, sizes: Sizes | None) -> Limits:
    """Return limits with the sizes that are asked for in place of those by memory."""
    if sizes is None:
        return limit
    largest = sizes.cards_a_group
    return replace(
        limit,
        cards_a_task=sizes.cards_a_task,
        cards_a_range=_RANGE * sizes.cards_a_task,
        cards_a_group=limit.cards_a_group if largest is None else largest,
    )
