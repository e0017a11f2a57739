"""How many cards are held at a time, and by how many workers."""

from __future__ import annotations

import os
from dataclasses import dataclass

SMALL_DECK = 150_000
"""Cards up to which a run stays in one process: starting workers costs more than the deck."""

_MIB = 2**20
_MAIN = 120 * _MIB  # the main process with its libraries, measured
_WORKER = 170 * _MIB  # a worker with its libraries and one task, measured at the default limit
_TASK_SHARE = 16  # a task's columns may fill this part of the limit
_LEAST = 200


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
    a_card = 4 * width + 160
    cards_a_task = max(_LEAST, memory // _TASK_SHARE // a_card)
    if workers is None:
        cores = len(os.sched_getaffinity(0))
        fitting = max(1, (memory - _MAIN) // _WORKER)
        workers = 1 if cards <= SMALL_DECK else min(cores, fitting)
    return Limits(cards_a_task, max(1, workers))
