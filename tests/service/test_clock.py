"""The time of day may jump as it likes: decisions rest on steady time, and nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.service.system.clock import Clock
from service.contract import Tally, assert_contract, assert_ledger
from service.kit import FixedClock, quick_room, started
from service.scenarios import STORIES, act_out

SUDDEN = [name for name, story in STORIES.items() if name != "written to when it is done"]
"""Stories that look at the time of day for people only. How long after its end a deck is still
looked at for late bytes is said in time of day, so a jump may cut that short."""

YEARS = timedelta(days=3653)
JUMPS = st.lists(
    st.one_of(
        st.timedeltas(-YEARS, YEARS),
        st.sampled_from([-YEARS, YEARS, timedelta(), timedelta(microseconds=-1)]),
    ),
    min_size=1,
    max_size=6,
)


class JumpingClock(FixedClock):
    """A time of day that jumps each time anyone looks at it, over and over the same way."""

    def __init__(self, jumps: list[timedelta]) -> None:
        super().__init__()
        self.jumps, self.looks = jumps, 0
        self.begin = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)

    @override
    def now(self) -> str:
        self.looks += 1
        then = self.begin + self.jumps[self.looks % len(self.jumps)]
        return then.isoformat(timespec="microseconds")


class Told(NamedTuple):
    """How a story ended. tries: of every run; seconds: of steady time; files: but for records."""

    tally: Tally
    tries: dict[str, int]
    seconds: float
    files: dict[str, bytes]


def tell(story: str, clock: FixedClock) -> Told:
    """Serve a story by a clock to its end."""
    steps = STORIES[story].steps
    with quick_room() as room:
        root = room / "workspace"
        with started(root, clock=clock) as rig:
            for number, step in enumerate(steps, start=1):
                act_out(root, STORIES[story], number)
                rig.step_all() if step.waits else rig.step_due()
            tries = {run: rig.ledger.tries(run) for run, _ in rig.ledger.states()}
        tally = assert_contract(root, STORIES[story].dropped(len(steps)), ended=True)
        assert_ledger(root)
        files = dict(outputs(root))
    return Told(tally, tries, clock.time, files)


def outputs(root: Path) -> Iterator[tuple[str, bytes]]:
    """Yield every output of done runs, and the masters."""
    for place in (root / "done", root / "master"):
        for path in place.rglob("*"):
            if path.is_file() and path.name not in {"claim.json", "manifest.json"}:
                yield str(path.relative_to(root)), path.read_bytes()


@cache
def by_a_still_clock(story: str) -> Told:
    return tell(story, FixedClock())


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(st.sampled_from(SUDDEN), JUMPS)
def test_a_time_of_day_that_jumps_changes_nothing_but_what_people_read(story, jumps):
    clock = JumpingClock(jumps)
    assert tell(story, clock) == by_a_still_clock(story)
    assert clock.looks > 1


@settings(max_examples=30, deadline=None)
@given(JUMPS)
def test_no_byte_is_lost_when_the_time_jumps_while_a_deck_is_written_to_late(jumps):
    story = STORIES["written to when it is done"]
    with quick_room() as room:
        root = room / "workspace"
        with started(root, clock=JumpingClock(jumps)) as rig:
            for number in range(1, len(story.steps) + 1):
                act_out(root, story, number)
                rig.step_all()
        # looked at again or not, the late bytes lie where their writer has put them
        assert assert_contract(root, story.dropped(2)).done == 2
        assert_ledger(root)


def test_the_clock_tells_the_time_of_day_in_utc_to_the_microsecond():
    now = Clock().now()
    then = datetime.fromisoformat(now)
    assert then.utcoffset() == timedelta()
    assert then.isoformat(timespec="microseconds") == now


def test_steady_time_never_runs_back():
    clock = Clock()
    times = [clock.steady() for _ in range(1000)]
    assert times == sorted(times)
