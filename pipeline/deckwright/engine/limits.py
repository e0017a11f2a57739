"""How many cards are held at a time, and by how many workers."""

from __future__ import annotations

import os
from dataclasses import dataclass

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
    """How the cards are cut; no size changes a byte of a delivery. For tests and measurements."""

    cards_a_task: int
    cards_a_tray: int


@dataclass(frozen=True, slots=True)
class Limits:
    """cards_a_task depends on job and record width only, never on the number of workers."""

    cards_a_task: int
    workers: int


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
    return Limits(cards_a_task, max(1, workers))
