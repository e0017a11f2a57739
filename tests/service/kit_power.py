"""Cuts the power of a service at every moment of a story, and judges what is left."""

from __future__ import annotations

import random
import re
import shutil
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from service.contract import assert_contract, assert_ledger, outcome_of
from service.kit import Rig, quick_room
from service.power_model import (
    ORDERS,
    Acted,
    Flushed,
    Op,
    State,
    after,
    cut,
    moments,
)
from service.power_trace import CutOffError, Recorder
from service.scenarios import SCENARIOS, Scenario, act_out, drive, steps_done


@dataclass(frozen=True, slots=True)
class Trace:
    """Everything that happens in a story. steps: the names of those that the service took."""

    ops: list[Op]
    steps: list[str]

    def without(self, *numbers: int) -> list[Op]:
        """Return what happens, but for some of it."""
        return [op for number, op in enumerate(self.ops) if number not in numbers]


def record(story: str, kill: int = 0, state: State | None = None) -> Trace:
    """Return everything that happens in a story.

    Args:
        story: which.
        kill: the step before which the service is killed, to be started again; 0 = never.
        state: what an earlier power cut has left; None = the story begins.
    """
    with quick_room() as room:
        root = room / "workspace"
        recorder = Recorder(root, kill)
        if state is None:
            root.mkdir()
        else:
            state.lay_out(root)
            recorder.ops.append(Acted(state.acted))
            recorder.look()
            recorder.ops += state.said
        while not _act(root, SCENARIOS[story], recorder):
            recorder.cut = 0
        return Trace(recorder.ops, [step.partition(" ")[0] for step in recorder.trace])


def _act(root: Path, scenario: Scenario, recorder: Recorder) -> bool:
    """Serve a story from wherever it is; tell whether it came to its end, or was killed."""
    done = steps_done(root)
    rig = Rig(root, recorder)
    try:
        recorder.watch(rig)
        rig.start()
        for number, step in enumerate(scenario.steps, start=1):
            if number > done:
                act_out(root, scenario, number)
                recorder.acted(number)
            if number >= done:
                rig.step_all() if step.waits else rig.step_due()
    except CutOffError:
        return False
    else:
        return True
    finally:
        rig.close()


@dataclass(slots=True)
class Judge:
    """Starts the service on states that a power cut has left, and sees whether all is well.

    seen: states judged, by a short key, so that none is judged twice.
    """

    story: str
    room: Path
    seen: set[int] = field(default_factory=set)
    orders: Counter[str] = field(default_factory=Counter)
    bad: list[str] = field(default_factory=list)
    _wanted: dict[str, str] = field(default_factory=dict)

    @property
    def scenario(self) -> Scenario:
        return SCENARIOS[self.story]

    @property
    def root(self) -> Path:
        return self.room / "workspace"

    def begin(self) -> None:
        """See what an undisturbed service brings about."""
        drive(self.root, self.scenario)
        self._check_end()
        self._wanted = self._outcome()
        self._clear()

    def look(self, state: State, order: str = "") -> None:
        """Judge a state, unless it was judged before."""
        if hash(state) in self.seen:
            return
        self.seen.add(hash(state))
        self.orders[order] += 1
        state.lay_out(self.root)
        try:
            self._check_left(state)
            drive(self.root, self.scenario)
            self._check_end()
            odd = {*self._outcome().items()} ^ {*self._wanted.items()}
            assert not odd, f"differs: {sorted(odd)[:6]}"
        except Exception:  # noqa: BLE001 # told, and judged by the test
            self.bad.append(traceback.format_exc(limit=-4))
        self._clear()

    def _check_left(self, state: State) -> None:
        assert_contract(self.root, self.scenario.dropped(state.acted))
        for said in state.said:
            home = self.root / said.state / said.run
            assert home.is_dir(), f"{said.run} was said to be {said.state}, and is not"

    def _check_end(self) -> None:
        scenario = self.scenario
        tally = assert_contract(self.root, scenario.dropped(len(scenario.steps)), ended=True)
        assert (tally.done, tally.returned) == scenario.ended
        assert_ledger(self.root)
        if scenario.master:
            current = self.root / "master" / "stock" / "current"
            assert current.read_bytes() == scenario.master

    def _outcome(self) -> dict[str, str]:
        found = outcome_of(self.root)
        if self.scenario.tries_vary:
            found = {name: data for name, data in found.items() if "/reasons." not in name}
        return found

    def _clear(self) -> None:
        for path in self.room.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()


def states(ops: Sequence[Op], chance: random.Random, each: int,
           when: Iterable[int] = ()) -> Iterator[tuple[str, State]]:  # fmt: skip
    """Yield so many states, with their order of entries, for each moment and each order."""
    for moment in when or moments(ops):
        for order in ORDERS:
            disk = after(ops, moment, order)
            for _ in range(each):
                yield order, cut(disk, chance)


def flush_of(ops: Sequence[Op], path: str, since: str) -> int:
    """Return where something was flushed first since something else was.

    Args:
        ops: what happens.
        path: below the workspace; `RUN` in it stands for the run's name.
        since: the same; `RUN` is the first run that fits.
    """
    pattern = re.compile(since.replace("RUN", "([^/]+)") + "$")
    run = ""
    for number, op in enumerate(ops):
        if not isinstance(op, Flushed):
            continue
        if run and op.path == path.replace("RUN", run):
            return number
        if not run and (found := pattern.match(op.path)):
            run = found[1]
            if path == since:
                return number
    msg = f"{path} was never flushed after {since}"
    raise LookupError(msg)
