"""Runs a story in child processes that are killed, and tells what was lost, doubled or differs.

Run as a program it reads one plan a line, a JSON list of faults, and answers each with one line of
JSON. Every fault of a plan cuts off one child, in turn; then a last start brings the story to its
end. `KILL` of a random time is `time:0.37`, a part of the time of an uninterrupted run. A process
that holds little forks fast, so this one imports no more than the service does.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path

from service.contract import assert_contract, assert_ledger, outcome_of
from service.defects import DEFECTS
from service.faults import Fault, FaultFs, is_written
from service.kit import lay_out, quick_room
from service.scenarios import SCENARIOS, Scenario, act_out, drive, steps_done

_AT_ONCE = 2
"""Processes that share the plans of a story."""


@dataclass(slots=True)
class Told:
    """What came of a plan. killed: children cut off; steps: of children that were not, a trace."""

    plan: list[str]
    killed: int = 0
    bad: str = ""
    steps: list[list[str]] = field(default_factory=list)


class Killer:
    """Carries out plans on one story."""

    def __init__(self, scenario: Scenario, room: Path) -> None:
        self.scenario, self.room = scenario, room
        self.root = room / "workspace"
        begin = time.perf_counter()
        drive(self.root, scenario)
        self.seconds = time.perf_counter() - begin
        self.check_end()
        self.wanted = self.outcome()
        self.clear()

    def clear(self) -> None:
        """Remove the workspace and what was noted beside it."""
        for path in self.room.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()

    def outcome(self) -> dict[str, str]:
        """Return what a run has brought about, without what may differ."""
        found = outcome_of(self.root)
        if self.scenario.tries_vary:
            found = {name: data for name, data in found.items() if "/reasons." not in name}
        return found

    def carry_out(self, plan: list[str]) -> Told:
        """Cut the story off as planned, bring it to its end, look at it."""
        told = Told(plan)
        lay_out(self.root)
        if any(fault.startswith("time:") for fault in plan):
            act_out(self.root, self.scenario, 1)  # a sender is not cut off
        try:
            for fault in plan:
                self._cut(fault, told)
            drive(self.root, self.scenario)
            self.check_end()
            found = self.outcome()
            differing = sorted(set(found.items()) ^ set(self.wanted.items()))
            assert not differing, f"differing: {differing[:6]}"
        except Exception:  # noqa: BLE001 # told, and judged by the test
            told.bad = traceback.format_exc(limit=-3)
        self.clear()
        return told

    def check_end(self) -> None:
        """Fail unless the story came to the end it should have."""
        dropped = self.scenario.dropped(len(self.scenario.steps))
        tally = assert_contract(self.root, dropped, ended=True)
        assert (tally.done, tally.returned) == self.scenario.ended
        assert_ledger(self.root)
        if self.scenario.master:
            current = self.root / "master" / "stock" / "current"
            assert current.read_bytes() == self.scenario.master

    def _cut(self, fault: str, told: Told) -> None:
        child = os.fork()
        if not child:
            self._be_child(fault)
        if fault.startswith("time:"):
            time.sleep(self.seconds * float(fault[5:]))
            os.kill(child, signal.SIGKILL)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        told.killed += code == -signal.SIGKILL
        trace = self.room / "trace"
        if code == 0 and trace.exists():
            told.steps.append(trace.read_text().splitlines())
            trace.unlink()
        assert code in {0, -signal.SIGKILL}, f"a child ended with {code}"
        assert_contract(self.root, self.scenario.dropped(steps_done(self.root)))

    def _be_child(self, fault: str) -> None:
        code = 70
        try:
            timed = fault.startswith("time:")
            fs = None if timed else FaultFs(Fault.read(fault))
            drive(self.root, self.scenario, fs)
            if fault == "trace" and fs is not None:
                (self.room / "trace").write_text("\n".join(fs.trace))
            code = 0
        except BaseException:  # noqa: BLE001 # the child must end here
            traceback.print_exc()
        finally:
            os._exit(code)


@cache
def trace(story: str, *faults: str) -> tuple[str, ...]:
    """Return the steps of a story, or those that it takes after it was cut off."""
    told = carry_out(story, [[*faults, "trace"]])[0]
    assert not told.bad, told.bad
    return tuple(told.steps[-1])


def points(steps: Sequence[str], *, twice: bool = False) -> list[str]:
    """Return every fault that kills at one of these steps: before, inside and after it.

    Nothing happens between two steps, so after one is before the next, and a flush is all that the
    sync around it does; `twice` asks for both all the same.
    """
    found = []
    for number, (before, step) in enumerate(pairwise(["", *steps]), start=1):
        hows = ["before"] if twice or not (step == "flush" and before.startswith("sync_")) else []
        hows += ["empty", "half"] if is_written(step) else []
        hows += ["after"] if twice or number == len(steps) else []
        found += [f"kill:{number}:{how}" for how in hows]
    return found


def carry_out(story: str, plans: Iterable[Sequence[str]], defect: str = "") -> list[Told]:
    """Carry out plans on a story, in processes of their own, on a service with a defect or none."""
    lines = [json.dumps(list(plan)) for plan in plans]
    shares = [share for number in range(_AT_ONCE) if (share := lines[number::_AT_ONCE])]
    with ThreadPoolExecutor(_AT_ONCE) as threads:
        told = threads.map(lambda share: _carry_out(share, story, defect), shares)
        return [Told(**json.loads(line)) for answers in told for line in answers]


def _carry_out(lines: list[str], *arguments: str) -> list[str]:
    done = subprocess.run(  # noqa: S603 # this very file
        [sys.executable, "-B", __file__, *arguments],
        input="\n".join(lines), env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    answers = done.stdout.splitlines()
    assert len(answers) == len(lines), done.stderr
    return answers


def main() -> None:
    """Carry out the plans that come in."""
    story, defect = sys.argv[1:]
    if defect:
        DEFECTS[defect][0]()
    with quick_room() as room:
        killer = Killer(SCENARIOS[story], room)
        for line in sys.stdin:
            sys.stdout.write(json.dumps(asdict(killer.carry_out(json.loads(line)))) + "\n")


if __name__ == "__main__":
    main()
