"""Whatever is dropped, repeated, held, asked for twice or cut off: what comes of it is foreseen."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.jobs.service import JobServiceSpec
from deckwright.service.runs.openrun import JobCard
from deckwright.service.store.records import Claim, Reasons, load
from deckwright.service.store.spool import Taking
from deckwright.service.system.places import run_prefix
from service.contract import sha256
from service.faults import Fault, FaultFs
from service.kit import (
    CARDS,
    LATE_BYTES,
    Rig,
    assert_contract,
    assert_ledger,
    drop,
    quick_room,
    run_all,
    spec_with,
    started,
    workspace,
)

NAMES = ("one", "two")
DECKS = (b"card 1\n", b"card 2\n", b"!deck\n")


def claims_in(folder: Path) -> list[Claim]:
    """Return the claims of the runs in a folder, in the order in which the decks were taken."""
    claims = [load(Claim, home / "claim.json") for home in folder.iterdir()]
    return sorted(claims, key=lambda claim: claim.order)


def spec_of(job: str = CARDS, **options: object):
    """Return settings with options of one job."""
    return spec_with(jobs={**spec_with().jobs, job: JobServiceSpec(**options)})


# ---- repeated decks


@dataclass(frozen=True)
class Drop:
    """A deck is dropped and taken. settled: everything that was taken before has ended."""

    name: str
    data: bytes
    config: str
    settled: bool


@dataclass
class Model:
    """What must come of drops."""

    scope: str
    repeated: str
    runs: dict[str, tuple[str, str]] = field(default_factory=dict)
    same: dict[str, str | None] = field(default_factory=dict)
    _numbers: Counter[str] = field(default_factory=Counter)
    _open: list[tuple[str, Drop]] = field(default_factory=list)
    _done: list[tuple[str, Drop]] = field(default_factory=list)

    def take(self, deck: Drop) -> None:
        """Take a deck."""
        prefix = run_prefix(sha256(deck.data), deck.name.encode())
        self._numbers[prefix] += 1
        run = f"{prefix}-{self._numbers[prefix]}"
        same = [
            each for each, other in [*self._done, *self._open]
            if (other.data, other.config) == (deck.data, deck.config) and other.name != deck.name
        ]  # fmt: skip
        self.same[run] = same[-1] if same else None
        self._open.append((run, deck))

    def settle(self) -> None:
        """Run everything that was taken."""
        for run, deck in self._open:
            if self.repeated == "return" and any(self._twins(deck, d) for _, d in self._done):
                self.runs[run] = ("returned", "duplicate")
            elif deck.data == b"!deck\n":
                self.runs[run] = ("returned", "stub")
            else:
                self.runs[run] = ("done", "")
                self._done.append((run, deck))
        self._open = []

    def _twins(self, one: Drop, other: Drop) -> bool:
        same = (one.data, one.config) == (other.data, other.config)
        return same and (self.scope == "content" or one.name == other.name)


def outcomes(root: Path) -> dict[str, tuple[str, str]]:
    """Return what came of each run: its state, and the code of the first reason."""
    found = {home.name: ("done", "") for home in (root / "done").iterdir()}
    for home in (root / "returned").iterdir():
        found[home.name] = ("returned", load(Reasons, home / "reasons.json").entries[0].code)
    return found


def set_config(rig: Rig, config: str) -> None:
    """Take over another config for the job of the cards."""
    data = config.encode()
    rig.spool.keep_config(sha256(data), data)
    rig.takings[CARDS] = Taking(CARDS, sha256(data))
    rig.runs.jobs[CARDS] = JobCard(CARDS, sha256(data), {})


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    drops=st.lists(
        st.builds(Drop, st.sampled_from(NAMES), st.sampled_from(DECKS), st.sampled_from("AB"),
                  st.booleans()),
        max_size=8,
    ),
    scope=st.sampled_from(["name", "content"]),
    repeated=st.sampled_from(["return", "return", "rerun"]),
)  # fmt: skip
def test_repeated_decks_are_run_or_returned_as_a_plain_model_says(drops, scope, repeated):
    spec = spec_of(duplicate_scope=scope, duplicates=repeated)
    model = Model(scope, repeated)
    with quick_room() as root:
        with started(root, spec=spec) as rig:
            for deck in drops:
                if deck.settled:
                    rig.step_all()
                    model.settle()
                set_config(rig, deck.config)
                drop(root, deck.name, deck.data)
                assert rig.take() == 1
                model.take(deck)
            rig.step_all()
            model.settle()
        assert outcomes(root) == model.runs
        claims = [*claims_in(root / "done"), *claims_in(root / "returned")]
        assert {claim.run: claim.same_bytes for claim in claims} == model.same
        assert_contract(root, [(deck.name, deck.data) for deck in drops], ended=True)
        (root / "ledger.db").unlink()  # what was done before is known all the same
        with started(root, spec=spec) as rig:
            for deck in drops[:2]:
                set_config(rig, deck.config)
                drop(root, deck.name, deck.data)
                rig.take()
                model.take(deck)
            rig.step_all()
            model.settle()
        assert outcomes(root) == model.runs
        assert_ledger(root)


def test_of_the_same_bytes_under_many_names_one_is_run_where_the_content_counts():
    decks = [(name, b"card\n") for name in "abcde"]
    with workspace(*decks) as root:
        run_all(root, spec=spec_of(duplicate_scope="content"))
        tally = assert_contract(root, decks, ended=True)
        assert (tally.done, tally.returned) == (1, 4)


def test_a_deck_that_came_back_is_run_anew_when_it_is_dropped_again():
    with workspace(("deck", b"!stage\n")) as root:
        run_all(root)
        drop(root, "deck", b"!stage\n")
        run_all(root)
        assert assert_contract(root, [("deck", b"!stage\n")] * 2, ended=True).returned == 2
        assert {code for _, code in outcomes(root).values()} == {"stub"}


# ---- decks that change while they are taken


class WatchedFs(FaultFs):
    """Lets something happen just before one of its steps."""

    def __init__(self, step: int, happens: Callable[[], object]) -> None:
        super().__init__()
        self.at, self.happens = step, happens

    @override
    def _begin(self, name: str, given: tuple[Any, ...]) -> Fault | None:
        if self.steps + 1 == self.at:
            self.happens()
        return super()._begin(name, given)


CARD, OTHER = b"card\n", b"other card\n"


def append(path: Path) -> None:
    if path.exists():
        with path.open("ab") as file:
            file.write(OTHER)


def replace(path: Path) -> None:
    drop(path.parents[2], path.name, OTHER)


CHANGES: dict[str, Callable[[Path], object]] = {
    "appended to": append,
    "replaced": replace,
    "taken away": lambda path: path.unlink(missing_ok=True),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_deck_that_changes_while_it_is_taken_is_taken_as_it_is_in_the_end(change):
    """What a sender takes away or replaces before it is taken is the sender's to lose."""
    with workspace(("deck", CARD)) as root, started(root, fs := FaultFs()) as rig:
        before = fs.steps
        rig.take()
        steps = range(before + 1, fs.steps + 1)
    assert len(steps) > 8
    outcomes_seen = set()
    for step in steps:
        with workspace(("deck", CARD)) as root:
            path = root / "inbox" / CARDS / "deck"
            run_all(root, WatchedFs(step, partial(CHANGES[change], path)))
            found = sorted((home / "deck").read_bytes() for home in (root / "done").iterdir())
            outcomes_seen.add(tuple(found))
            dropped = [("deck", data) for data in found]
            assert_contract(root, dropped, ended=True)
            assert_ledger(root)
    taken_before = {"appended to": (CARD,), "replaced": (CARD, OTHER), "taken away": (CARD,)}
    taken_after = {"appended to": (CARD + OTHER,), "replaced": (OTHER,), "taken away": ()}
    assert outcomes_seen == {taken_before[change], taken_after[change]}


# ---- operators


def asked(root: Path, wish: str, what: str) -> None:
    """Ask for something and have it done, with all that follows."""
    with started(root) as rig:
        rig.ask(wish, what)
        rig.step_all()


@pytest.mark.parametrize("data", [b"card\n", b"!deck\n"])
def test_a_run_requeued_twice_is_run_once_more_and_stays_as_it_is(data):
    with workspace(("deck", data)) as root:
        run_all(root)
        (first,) = outcomes(root)
        asked(root, "requeue", first)
        after = outcomes(root)
        asked(root, "requeue", first)
        assert outcomes(root) == after
        assert after == {first: after[first], f"{first[:-1]}2": after[first]}
        assert_contract(root, [("deck", data)], ended=True)
        asked(root, "requeue", f"{first[:-1]}2")
        assert len(outcomes(root)) == 3


def test_a_run_can_be_requeued_though_the_same_deck_was_dropped_again_meanwhile():
    with workspace(("deck", b"card\n")) as root:
        run_all(root)
        (first,) = outcomes(root)
        drop(root, "deck", b"card\n")
        run_all(root)
        asked(root, "requeue", first)
        assert sorted(outcomes(root).values()) == [
            ("done", ""), ("done", ""), ("returned", "duplicate"),
        ]  # fmt: skip


def test_a_changed_deck_that_came_back_is_run_only_when_asked_and_then_once():
    """Nothing may run a deck that came back as damaged but an operator."""
    with workspace(("deck", b"!flaky 1\n")) as root:
        with started(root) as rig:
            rig.step_due()
        (home,) = (root / "work").iterdir()
        (home / "deck").write_bytes(b"other bytes\n")
        run_all(root)
        assert outcomes(root) == {home.name: ("returned", "damaged")}
        asked(root, "requeue", home.name)
        asked(root, "requeue", home.name)
        assert len(outcomes(root)) == 2


def test_late_bytes_whose_name_is_taken_in_the_inbox_come_back_and_are_not_run():
    slow, other = b"!slow\n", b"other\n"
    with workspace(("deck", slow)) as root:
        with started(root) as rig:
            rig.take()
            rig.holds.hold(CARDS, "so that the next one stays in the inbox")
            drop(root, "deck", other)
            rig.runs.resume_job(CARDS)
            rig.take = lambda: 0
            rig.step_all()
        run_all(root)
        assert sorted(outcomes(root).values()) == [("done", ""), ("returned", "late-bytes")]
        assert_contract(root, [("deck", (slow, slow + LATE_BYTES)), ("deck", other)], ended=True)


def test_a_deck_that_is_back_in_the_inbox_is_taken_anew_though_clearing_up_failed():
    slow = b"!slow\n"
    with workspace(("deck", slow)) as root, quick_room() as copy:
        shutil.copytree(root, copy / "root")
        fs = FaultFs()
        run_all(copy / "root", fs)
        home = f"work/{run_prefix(sha256(slow), b'deck')}-1/"
        clearing = [n for n, step in enumerate(fs.trace, 1) if "unlink" in step and home in step]
        assert len(clearing) > 3
        with started(root, FaultFs(Fault("err", clearing[0], "EIO"))) as rig:
            rig.step_all()
            assert not rig.runs.open
            assert rig.told("no_room") == []
        run_all(root)
        assert_contract(root, [("deck", (slow, slow + LATE_BYTES))], ended=True)
        assert_ledger(root)
