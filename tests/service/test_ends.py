"""The service ends again and again: no clean deck pays for it, one that is behind it is found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.jobs.service import RetrySpec
from deckwright.service.operate.control import Request
from deckwright.service.operate.finding import listed
from deckwright.service.runs.ends import MOST_ALONE, SERVICE_ENDED, WHY_HELD
from deckwright.service.system.places import Workspace
from deckwright.service.workers.messages import Ended, RunOrder
from service.kit import (
    FixedClock,
    Rig,
    StubWorkers,
    assert_contract,
    drop,
    lay_out,
    quick_room,
    spec_with,
)
from sets import first_line

FOREVER = 1e6
BIG = 300.0


class CutOffError(BaseException):
    """The service ends here, as if it were killed."""


class RunningClock(FixedClock):
    """A time of day that goes with the seconds."""

    @override
    def now(self) -> str:
        return datetime.fromtimestamp(2e9 + self.time, UTC).isoformat(timespec="microseconds")


@dataclass(slots=True)
class SlowWorkers(StubWorkers):
    """A run takes as many seconds as its deck says; `!kill` as its first word ends the service."""

    clock: FixedClock = field(default_factory=FixedClock)
    begun: dict[str, float] = field(default_factory=dict)

    @override
    def free(self, large: bool) -> bool:
        return len(self.orders) < self.processes

    @override
    def start(self, order: RunOrder, *, large: bool, seconds: float, config: str) -> None:
        self.orders.append(order)
        self.begun[order.run] = self.clock.time

    @override
    def poll(self) -> Iterator[Ended]:
        for order in list(self.orders):
            deck = (Path(order.folder) / "deck").read_bytes()
            takes = float(deck.split()[-1])
            if self.clock.time - self.begun[order.run] >= takes:
                if deck.startswith(b"!kill"):
                    raise CutOffError
                self.orders.remove(order)
                yield self._run(order)


@dataclass
class World:
    """A workspace whose service is started again whenever it has ended."""

    root: Path
    workers: int = 2
    clock: RunningClock = field(default_factory=RunningClock)
    dropped: dict[str, bytes] = field(default_factory=dict)
    begun: Counter[str] = field(default_factory=Counter)
    kills: int = 0

    def lay(self, **decks: str) -> None:
        """Lay decks; the last word of each says how long its run takes."""
        lay_out(self.root)
        for name, line in decks.items():
            self.dropped[name] = f"{line}\n".encode()
            drop(self.root, name, self.dropped[name])

    def start(self) -> Rig:
        """Start the service."""
        spec = spec_with(retry=RetrySpec(), workers=self.workers)
        rig = Rig(self.root, spec=spec, clock=self.clock)
        rig.workers = SlowWorkers(rig.fs, spec.workers, clock=self.clock)
        rig.start()
        rig.runs.ends.begin()
        return rig

    def lives(self, seconds: float) -> None:
        """Have the service live so long, or until nothing is left to do, or a deck ends it."""
        rig = self.start()
        until = self.clock.time + seconds
        try:
            while self.clock.time < until and (
                seconds < FOREVER or rig.runs.open or self.lies(rig)
            ):
                rig.round()
                rig.runs.ends.beat()
                self.clock.time += 1.0
        except CutOffError:
            pass
        else:
            if seconds == FOREVER:
                rig.runs.ends.finish()
                return
        finally:
            self.begun.update(str(facts["run"]) for facts in rig.told("run_started"))
            rig.close()
        self.kills += 1

    def lies(self, rig: Rig) -> bool:
        """Tell whether a deck lies in the inbox."""
        return any((self.root / "inbox" / "cards").iterdir()) and not rig.holds.all()

    def settle(self, most: int) -> None:
        """Start the service until it ends of itself, so often at most."""
        for _ in range(most):
            before = self.kills
            self.lives(FOREVER)
            if self.kills == before:
                return
        pytest.fail(f"not settled after {most} starts")

    def held(self) -> list[str]:
        """Return the runs that are held."""
        return sorted(path.name for path in (self.root / "hold").iterdir())


@pytest.fixture
def world() -> Iterator[World]:
    with quick_room() as room:
        yield World(room / "workspace")


# ---- clean decks


@pytest.mark.slow
@given(
    st.lists(st.one_of(st.floats(0, 3), st.floats(0, 400)), max_size=12),
    st.lists(st.integers(0, 60), min_size=1, max_size=6),
    st.integers(1, 3),
)
@settings(max_examples=25, deadline=None)
def test_however_often_the_service_is_killed_no_clean_deck_comes_back(lives, decks, workers):
    with quick_room() as room:
        world = World(room / "workspace", workers)
        world.lay(**{f"{number}": f"deck {long}" for number, long in enumerate(decks)})
        for seconds in lives:
            world.lives(seconds)
        world.settle(1)
        tally = assert_contract(world.root, world.dropped)
        assert tally.returned == 0
        assert tally.done == len(decks) - len(world.held())


@pytest.mark.parametrize("seconds", first_line([0.4, 28, 31, 100, 290], 0.4, 31))
@pytest.mark.parametrize("decks", [1, 4])
def test_what_ends_the_service_after_the_same_time_each_time_is_blamed_on_no_deck(
    seconds, decks, world
):
    world.lay(**{f"{number}": f"big {BIG}" for number in range(decks)})
    for _ in range(20):
        world.lives(seconds)
        assert world.held() == []
    world.settle(1)
    assert assert_contract(world.root, world.dropped, ended=True).done == decks


def test_after_one_power_cut_all_goes_on_at_once(world):
    world.lay(a="a 60", b="b 60", c="c 60")
    world.lives(10)
    world.lives(5)
    assert sum(world.begun.values()) == 3  # two beside each other, then one of them alone
    world.settle(1)
    assert assert_contract(world.root, world.dropped, ended=True).done == 3


def test_an_end_that_was_asked_for_speaks_against_nobody(world):
    world.lay(a=f"a {BIG}")
    for _ in range(3 * MOST_ALONE):
        rig = world.start()
        rig.round()
        assert rig.runs.resting() == ""
        rig.runs.end(Ended(run=next(iter(rig.runs.open)), outcome="stopped"))
        rig.runs.ends.finish()
        assert rig.ledger.ends() == []
        rig.close()
    assert world.held() == []


def test_the_tries_of_a_deck_are_its_own_whatever_ended_the_service(world):
    """A deck that fails by itself has its usual tries though the service was killed in others."""
    world.lay(bad="!die 5")
    for _ in range(3):
        world.lives(3)
        world.lives(1)
    world.settle(1)
    (home,) = (world.root / "returned").iterdir()
    words = (home / "reasons.txt").read_text()
    assert words.count("(stub)") == RetrySpec().tries
    assert SERVICE_ENDED not in words


# ---- decks that end the service


def test_a_deck_that_ends_the_service_is_held_and_its_neighbours_are_done(world):
    world.workers = 4
    world.lay(bad="!kill 2", a="a 9", b="b 9", c="c 9", d="d 9")
    world.settle(MOST_ALONE + 2)
    tally = assert_contract(world.root, world.dropped)
    assert (tally.done, tally.returned, tally.waiting) == (4, 0, 1)
    (run,) = world.held()
    assert MOST_ALONE <= world.begun[run] <= MOST_ALONE + 1
    (entry,) = listed(Workspace(world.root), states=("held",))
    assert (entry.run, entry.why) == (run, WHY_HELD)


@pytest.mark.slow
def test_many_decks_that_end_the_service_are_each_found(world, counts):
    bad = {f"bad {number}": f"!kill {number % 7}" for number in range(34)}
    world.workers = 1
    world.lay(good="good 3", **bad)
    world.settle(34 * MOST_ALONE + 1)
    tally = assert_contract(world.root, world.dropped)
    counts(kills=world.kills)
    assert (tally.done, tally.returned, len(world.held())) == (1, 0, 34)
    assert {world.begun[run] for run in world.held()} == {MOST_ALONE}


def test_before_a_suspect_is_tried_again_the_service_lives_for_longer_than_before(world):
    world.lay(bad="!kill 100")
    for _ in range(2):
        world.lives(FOREVER)
    rests = []
    for _ in range(MOST_ALONE - 2):
        rig = world.start()
        rests.append(rig.runs.rest_until - world.clock.time)
        assert "nothing is run for" in rig.runs.resting()
        rig.runs.ends.finish()
        rig.close()
        world.lives(FOREVER)
    assert rests[0] == pytest.approx(150, abs=2)
    assert rests[1] == pytest.approx(1.5 * 250, abs=4)


def test_a_held_deck_that_is_resumed_has_all_its_chances_again(world):
    world.lay(bad="!kill 2", good="good 1")
    world.settle(MOST_ALONE + 2)
    (run,) = world.held()
    rig = world.start()
    assert rig.operator.do(Request(wish="resume", what=run)).done
    rig.runs.ends.finish()
    rig.close()
    before = world.begun[run]
    world.settle(MOST_ALONE + 2)
    assert world.held() == [run]
    assert world.begun[run] - before >= MOST_ALONE


def test_a_deck_that_an_operator_holds_is_said_to_be_held_by_one(world):
    world.lay(a="a 9")
    rig = world.start()
    rig.take()
    rig.ask("hold", next(iter(rig.runs.open)))
    rig.round()
    rig.close()
    world.settle(1)
    (entry,) = listed(Workspace(world.root), states=("held",))
    assert entry.why == "held by an operator"
