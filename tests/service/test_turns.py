"""Whose turn it is: priorities, due times, caps, and no job that holds up another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.jobs.service import JobServiceSpec, ServiceSpec
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.intake import Intake
from deckwright.service.inbox.settling import Route
from deckwright.service.runs.openrun import Open
from deckwright.service.runs.runs import RELIEF_S
from deckwright.service.runs.turns import Turns
from deckwright.service.store.records import Claim, DeckFacts
from deckwright.service.store.spool import Taking
from deckwright.service.workers.messages import RunOrder
from service.kit import CARDS, STOCK, Rig, quick_room

TAKEN = "2031-05-06T07:{:02}:00.000000+00:00"


def item(job: str, order: int, minute: int = 0, name: str = "deck", failed: int = 0) -> Open:
    """Return a deck that waits."""
    facts = DeckFacts(name=name.encode().hex(), shown=name, size=1, sha256="0" * 64)
    claim = Claim(run=f"{order:016x}-000000-1", deck=facts, folder=b"x".hex(), job=job,
                  config="0" * 64, taken_at=TAKEN.format(minute), order=order)  # fmt: skip
    return Open(claim, failed=failed, tries=failed)


def running(*jobs: str, failed: int = 0) -> list[Open]:
    """Return decks that run."""
    found = [item(job, 900 + place, failed=failed) for place, job in enumerate(jobs)]
    for each in found:
        each.out = "out.1"
    return found


def spec(workers: int = 2, **jobs: dict[str, object]) -> ServiceSpec:
    """Return a service file with options of jobs."""
    treated = {name: JobServiceSpec(**how) for name, how in jobs.items()}  # type: ignore[arg-type] # tables
    return ServiceSpec(workers=workers, jobs=treated)


def turns(of: ServiceSpec, waiting: list[Open], many: int) -> list[str]:
    """Return the jobs that have the next turns, each run ending before the next starts."""
    chooser, found = Turns(), []
    for _ in range(many):
        chosen = chooser.choose(of, waiting, [])
        assert chosen is not None
        waiting.remove(chosen)
        found.append(chosen.claim.job)
    return found


# ---- whose turn


@given(st.lists(st.sampled_from("abc"), min_size=3, max_size=40))
def test_jobs_with_decks_that_wait_have_turns_one_after_the_other(jobs):
    waiting = [item(job, place) for place, job in enumerate(jobs)]
    had = turns(spec(), list(waiting), len(jobs))
    kinds = len(set(jobs))
    all_wait = kinds * min(Counter(jobs).values())
    for place in range(all_wait - kinds + 1):
        assert len(set(had[place : place + kinds])) == kinds
    assert Counter(had) == Counter(jobs)


def test_a_job_with_thousands_of_decks_does_not_hold_up_one_with_few():
    waiting = [item("many", place) for place in range(3000)] + [
        item("few", 5000 + n) for n in range(3)
    ]
    assert turns(spec(), waiting, 6).count("few") == 3


def test_a_job_of_higher_priority_goes_first_and_one_of_lower_last():
    waiting = [item("low", 1), item("usual", 2), item("high", 3), item("high", 4)]
    of = spec(high={"priority": 5}, low={"priority": -1})
    assert turns(of, waiting, 4) == ["high", "high", "usual", "low"]


def test_what_is_due_earlier_goes_first_whenever_it_came():
    waiting = [item("none", 1), item("slow", 2, minute=0), item("quick", 3, minute=30)]
    of = spec(slow={"due_s": 7200}, quick={"due_s": 600})
    assert turns(of, waiting, 3) == ["quick", "slow", "none"]


def test_urgent_decks_go_before_those_of_jobs_with_any_priority():
    waiting = [item("high", 1), item("plain", 2), item("plain", 3, name="aaa-urgent.txt")]
    of = spec(high={"priority": 9}, plain={"urgent": ["*urgent*"]})
    chosen = Turns().choose(of, waiting, [])
    assert chosen is not None
    assert chosen.claim.order == 3


@given(st.lists(st.sampled_from("ab"), max_size=6), st.integers(1, 3))
def test_no_more_decks_of_a_job_run_at_once_than_its_cap(runs, cap):
    busy = running(*runs)
    chosen = Turns().choose(spec(8, a={"at_once": cap}), [item("a", 1)], busy)
    assert (chosen is None) == (runs.count("a") >= cap)


@pytest.mark.parametrize(
    ("workers", "failed", "starts"), [(1, 0, True), (2, 0, True), (2, 1, False), (3, 1, True)]
)
def test_decks_that_failed_before_leave_a_worker_to_others(workers, failed, starts):
    busy = running(*"a" * failed, failed=1)
    chosen = Turns().choose(spec(workers), [item("a", 1, failed=1)], busy)
    assert (chosen is not None) == starts
    assert Turns().choose(spec(workers), [item("a", 1), item("a", 2, failed=1)], busy) is not None


# ---- decks in the inbox


@dataclass
class Desk:
    """An inbox with two jobs, and what takes decks from it."""

    rig: Rig
    intake: Intake
    inbox: Inbox
    taken: list[str] = field(default_factory=list)

    def round(self) -> None:
        """Let everything settle; take what there are places for, and run it."""
        self.inbox.scan()
        self.rig.advance(3)
        self.inbox.scan()
        before = len(self.rig.told("deck_taken"))
        self.intake.round()
        self.taken += [str(facts["deck"]) for facts in self.rig.told("deck_taken")[before:]]

    def run(self) -> None:
        """Run what was taken."""
        self.rig.runs.start_free(self.rig.workers)
        for ended in self.rig.workers.poll():
            self.rig.runs.end(ended)


@pytest.fixture
def desk() -> Iterator[Desk]:
    with quick_room() as room:
        how = {CARDS: JobServiceSpec(urgent=["*urgent*"])}
        of = ServiceSpec(jobs=how)
        rig = Rig(room / "workspace", spec=of)
        rig.start()
        hurry = tuple(how[CARDS].urgent)
        routes = {
            CARDS: [Route(CARDS, (), None, require_marker=False, urgent=hurry)],
            STOCK: [Route(STOCK, (), None, require_marker=False)],
        }
        inbox = Inbox(rig.workspace.inbox, of, routes, rig.clock)
        takings = {job: Taking(job, rig.takings[job].config) for job in (CARDS, STOCK)}
        yield Desk(rig, Intake(rig.spool, rig.runs, inbox, of, rig.clock, takings), inbox)
        rig.close()


def lay(folder: Path, *names: str) -> None:
    """Lay decks, each with other bytes."""
    for name in names:
        (folder / name).write_bytes(f"{name}\n".encode())


def test_an_urgent_deck_that_comes_last_of_thousands_is_taken_first(desk):
    folder = desk.rig.workspace.inbox / CARDS
    lay(folder, *(f"{number:04}.txt" for number in range(3000)))
    lay(folder, "zzz-urgent.txt")
    desk.round()
    assert desk.taken[0] == "zzz-urgent.txt"


def test_decks_that_cannot_be_taken_now_are_not_looked_at_one_by_one(desk, monkeypatch):
    lay(desk.rig.workspace.inbox / CARDS, *(f"{number:04}.txt" for number in range(500)))
    desk.round()
    assert len(desk.taken) == 4
    asked = []
    monkeypatch.setattr(desk.intake.runs, "holds", Asked(asked))
    desk.run()
    desk.intake.round()
    assert len(desk.rig.told("deck_taken")) > 4
    assert len(asked) < 50


class Asked:
    """No job is held; notes which are asked for."""

    def __init__(self, asked: list[object]) -> None:
        self.asked = asked

    def __contains__(self, job: object) -> bool:
        self.asked.append(job)
        return False


def test_a_deck_of_a_job_that_has_none_under_way_is_taken_though_all_places_are(desk):
    lay(desk.rig.workspace.inbox / CARDS, *(f"{number}.txt" for number in range(9)))
    desk.round()
    assert len(desk.taken) == 4
    lay(desk.rig.workspace.inbox / STOCK, "other.txt", "more.txt")
    desk.round()
    assert desk.taken[4:] in (["other.txt"], ["more.txt"])


def test_jobs_are_taken_from_in_turn(desk):
    lay(desk.rig.workspace.inbox / CARDS, *(f"{number}.txt" for number in range(9)))
    lay(desk.rig.workspace.inbox / STOCK, *(f"s{number}.txt" for number in range(9)))
    desk.round()
    assert Counter(name[0] == "s" for name in desk.taken) == {True: 2, False: 2}


# ---- workers that hang


def test_two_decks_that_hang_do_not_hold_up_every_job():
    with quick_room() as room:
        rig = Rig(room / "workspace", spec=ServiceSpec())
        rig.start()
        room_for = Hanging()
        for name in "ab":
            (rig.workspace.inbox / CARDS / name).write_bytes(f"hang {name}\n".encode())
        rig.take()
        rig.runs.start_free(room_for)
        assert [large for _, large in room_for.given] == [False, False]
        (rig.workspace.inbox / CARDS / "c").write_bytes(b"good\n")
        rig.take()
        rig.runs.start_free(room_for)
        assert len(room_for.given) == 2
        rig.advance(RELIEF_S)
        rig.runs.start_free(room_for)
        assert [large for _, large in room_for.given] == [False, False, True]
        rig.close()


@dataclass
class Hanging:
    """Two workers and one for large decks; no run ever ends."""

    given: list[tuple[RunOrder, bool]] = field(default_factory=list)

    def free(self, large: bool) -> bool:  # noqa: FBT001 # as the service asks
        return sum(each is large for _, each in self.given) < (1 if large else 2)

    def start(self, order: RunOrder, *, large: bool, seconds: float, config: str) -> None:
        self.given.append((order, large))
