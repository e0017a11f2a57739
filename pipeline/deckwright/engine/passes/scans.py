"""What a scan knows of the cards before: states of stretches, joined in the order of the cards."""

from __future__ import annotations

import pickle
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import polars as pl

from deckwright.engine.passes.spill import Block
from deckwright.engine.passes.tasks import Result, Task
from deckwright.engine.planning.cutting import Pass, Step
from deckwright.errors import PluginError
from deckwright.layout.tray import Tray
from deckwright.plugin.scans import ScanStage

State = Any
"""What a stage keeps; None = of no cards."""

MOST_STATE = 2**16
"""Bytes that the state of a stretch may take: one lies in memory for every tray of the run."""


def fold(step: Step, tray: Tray) -> State:
    """Return the state of a tray alone.

    Raises:
        PluginError: it is None, which stands for no cards.
    """
    stage = _stage(step)
    tray.seal()
    state = stage.fold(tray)
    if state is None:
        raise ScanError(step, "gave None as the state of some cards, which says that none came")
    return state


def join(step: Step, earlier: State, later: State) -> State:
    """Return the state of two stretches, either of which may be of no cards."""
    if earlier is None or later is None:
        return later if earlier is None else earlier
    return _stage(step).join(earlier, later)


def must_be_small(step: Step, state: State) -> None:
    """Refuse a state that would not travel from process to process, or not many times.

    Raises:
        PluginError: it is too large, or holds what cannot be sent.
    """
    try:
        size = len(pickle.dumps(state, pickle.HIGHEST_PROTOCOL))
    except Exception as error:
        what = f"keeps a state that cannot be sent to another process: {error}"
        raise ScanError(step, what) from error
    if size > MOST_STATE:
        what = f"keeps a state of {size:,} bytes; a state may have {MOST_STATE:,}"
        raise ScanError(step, what)


def prefixes(step: Step, states: Iterable[State]) -> tuple[list[State], State]:
    """Return the state before each of several stretches, and that of all where it is needed."""
    befores: list[State] = []
    total = None
    for state in states:
        befores.append(total)
        total = join(step, total, state)
    return befores, total if _stage(step).needs_total else None


def resumed_tasks(
    todo: Pass, before: Sequence[Result], blocks: Sequence[Sequence[Block]]
) -> list[Task]:
    """Return the tasks of a pass whose cards come as the pass before left them.

    Args:
        todo: the pass.
        before: results of the pass before.
        blocks: what each task reads.
    """
    known = not any(count.added for result in before for count in result.counts.values())
    states, total = [None] * len(before), None
    if todo.scan:
        states, total = prefixes(todo.scan, (result.state for result in before))
    return [
        Task(todo.number, result.task, blocks=tuple(mine), before=state, total=total,
             cards_known=known)
        for result, mine, state in zip(before, blocks, states, strict=True)
    ]  # fmt: skip


def check_states(step: Step, befores: Sequence[State], reached: Sequence[State]) -> None:
    """Check that each stretch, joined tray by tray, ended where the next one began.

    Raises:
        PluginError: it did not, so what the stage did depends on how the cards were cut.
    """
    for before, after in zip(befores[1:], reached, strict=False):
        if not same_state(before, after):
            what = "joins states in two ways that do not agree, so it depends on how cards are cut"
            raise ScanError(step, f"{what}: {_short(after)} and {_short(before)}")


class ScanError(PluginError):
    """The state of a scan is not what it must be."""

    def __init__(self, step: Step, what: str) -> None:
        super().__init__(f"{step.label} ({step.origin}) {what}; nothing was delivered")


def _stage(step: Step) -> ScanStage[Any, Any]:
    assert isinstance(step.stage, ScanStage)  # noqa: S101 # asked for by the caller
    return step.stage


def _short(state: State) -> str:
    text = repr(state)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


_LONGEST = 60


def same_state(one: State, other: State) -> bool:
    """Compare two states by what they hold."""
    if type(one) is not type(other):
        same = False
    elif isinstance(one, np.ndarray):
        same = np.array_equal(one, other)
    elif isinstance(one, (pl.Series, pl.DataFrame)):
        same = one.equals(other)
    elif is_dataclass(one):
        same = all(same_state(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    elif isinstance(one, Mapping):
        same = one.keys() == other.keys() and all(same_state(one[key], other[key]) for key in one)
    elif isinstance(one, (list, tuple)):
        same = len(one) == len(other) and all(map(same_state, one, other))
    else:
        same = bool(one == other)
    return same
