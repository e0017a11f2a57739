"""Whatever senders, operators and accidents do, in any order, every deck has one state."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from typing_extensions import override

from deckwright.jobs.service import RetrySpec
from deckwright.service.store.records import Claim, Manifest, load
from service.contract import assert_contract, assert_ledger, sha256
from service.faults import Fault, FaultFs
from service.kit import (
    CARDS,
    FIRST_MASTER,
    LATE_BYTES,
    STOCK,
    Rig,
    drop,
    quick_room,
    spec_with,
    started,
)


class CutOffError(BaseException):
    """The service ends here, as if it were killed."""


class CutOffFs(FaultFs):
    """Ends the service and not the process."""

    @override
    def die(self) -> None:
        raise CutOffError


FEW = RetrySpec(first_wait_s=30, longest_wait_s=60)
ANY_DECK = st.sampled_from(
    [b"card 1\n", b"card 2\n", b"card 3\n", b"!deck\n", b"!stage\n", b"!die\n", b"!flaky 1\n",
     b"!slow\n", b"!lie\n"]
)  # fmt: skip
ANY_NAME = st.sampled_from([b"a", b"b", b"\xff odd\n name"])
HOW = st.sampled_from(["before", "after", "half", "empty"])
NOW = st.booleans()
ANY_JOB = st.sampled_from([CARDS, CARDS, STOCK])


class Service(RuleBasedStateMachine):
    """Senders, operators and accidents, in any order."""

    def __init__(self) -> None:
        super().__init__()
        self._room = quick_room()
        self.root = self._room.__enter__()
        self.dropped: list[tuple[bytes, bytes | tuple[bytes, ...]]] = []
        self.rig = self._start()

    def _start(self) -> Rig:
        rig = Rig(self.root, spec=spec_with(retry=FEW))
        rig.start()
        return rig

    # senders

    @rule(decks=st.lists(st.tuples(ANY_NAME, ANY_DECK, ANY_JOB), min_size=1, max_size=5))
    def drop(self, decks: list[tuple[bytes, bytes, str]]) -> None:
        for name, data, job in decks:
            where = self.root / "inbox" / job / name.decode("utf-8", "surrogateescape")
            if where.exists():  # whoever replaces a deck takes the one before away
                self.dropped.remove((name, self._grown(where.read_bytes())))
            drop(self.root, name, data, job)
            self.dropped.append((name, self._grown(data)))

    @staticmethod
    def _grown(data: bytes) -> bytes | tuple[bytes, ...]:
        slow = data.removesuffix(LATE_BYTES)
        return (slow, slow + LATE_BYTES) if slow == b"!slow\n" else data

    # the service

    @rule()
    def take(self) -> None:
        self.rig.take()

    @rule()
    def round(self) -> None:
        self.rig.round()

    @rule()
    def everything(self) -> None:
        self.rig.step_all()

    @rule(seconds=st.sampled_from([1, 30, 100]))
    def wait(self, seconds: float) -> None:
        self.rig.advance(seconds)

    # accidents

    @rule()
    def again(self) -> None:
        self.rig.close()
        self.rig = self._start()

    @rule(kills=st.lists(st.tuples(st.integers(0, 79), HOW), min_size=1, max_size=5))
    def killed(self, kills: list[tuple[int, str]]) -> None:
        """Be killed again and again, each time at a step after a start."""
        for step, how in kills:
            self.rig.close()
            fs = CutOffFs(Fault("kill", 1 + step * 37 % 80, how))
            with suppress(CutOffError), started(self.root, fs, spec=spec_with(retry=FEW)) as rig:
                rig.step_all()
        self.rig = self._start()

    @rule(damage=st.sampled_from(["deleted", "emptied", "overwritten"]))
    def ledger_lost(self, damage: str) -> None:
        self.rig.close()
        ledger = self.root / "ledger.db"
        if damage == "deleted":
            ledger.unlink()
        else:
            ledger.write_bytes(b"" if damage == "emptied" else b"no ledger" * 999)
        for suffix in ("-wal", "-shm"):
            ledger.with_name(f"ledger.db{suffix}").unlink(missing_ok=True)
        self.rig = self._start()

    @rule(year=st.sampled_from([2021, 2031, 2041]))
    def clock_jumps(self, year: int) -> None:
        self.rig.clock.today = f"{year}-05-06T07:08:09.000000+00:00"

    # operators

    def _some_run(self, pick: int) -> str | None:
        places = ("work", "hold", "done", "returned")
        runs = sorted(home.name for place in places for home in (self.root / place).iterdir())
        return runs[pick % len(runs)] if runs else None

    @rule(wish=st.sampled_from(["hold", "resume", "requeue"]), pick=st.integers(0, 99), now=NOW)
    def asked_about_a_run(self, wish: str, pick: int, *, now: bool) -> None:
        run = self._some_run(pick)
        if run:
            self.rig.ask(wish, run)
        if now:
            self.rig.round()

    @rule(wish=st.sampled_from(["hold", "resume"]), job=ANY_JOB, now=NOW)
    def asked_about_a_job(self, wish: str, job: str, *, now: bool) -> None:
        self.rig.ask(wish, job)
        if now:
            self.rig.round()

    # what must hold

    @invariant()
    def nothing_is_lost_or_doubled(self) -> None:
        assert_contract(self.root, self.dropped)

    @override
    def teardown(self) -> None:
        try:
            self._end()
        finally:
            self.rig.close()
            self._room.__exit__(None, None, None)

    def _end(self) -> None:
        """Let everything go on until all has ended."""
        for _ in range(60):
            self.rig.step_all()
            held = [home.name for home in (self.root / "hold").iterdir()]
            for what in [*self.rig.holds.all(), *held]:
                self.rig.ask("resume", what)
            if not held and not self.rig.runs.open and not self.rig.next_due():
                break
        self.rig.step_all()
        assert_contract(self.root, self.dropped, ended=True)
        assert_ledger(self.root)
        self._check_master()

    def _check_master(self) -> None:
        """Each done run stands in the master once, in the order in which they moved it on."""
        done = self.root / "done"
        steps = [
            (step.number, home.name)
            for home in done.iterdir()
            if (step := load(Manifest, home / "manifest.json").lane)
        ]
        parts = [FIRST_MASTER]
        for number, (move, run) in enumerate(sorted(steps), start=1):
            claim, manifest = load(Claim, done / run / "claim.json"), done / run / "manifest.json"
            parts.append((done / run / "deck").read_bytes()[: claim.deck.size])
            step = load(Manifest, manifest).lane
            assert step is not None
            assert (move, step.parent, step.next) == (
                number, sha256(b"".join(parts[:-1])), sha256(b"".join(parts)),
            )  # fmt: skip
        if steps:
            assert (self.root / "master" / STOCK / "current").read_bytes() == b"".join(parts)


def machine(examples: int, steps: int):
    """Return a test of the machine with so many examples."""
    case = type("Case", (Service.TestCase,), {})
    case.settings = settings(
        max_examples=examples, stateful_step_count=steps, deadline=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    return case


TestAnyOrder = machine(20, 30)
TestAnyOrderMore = pytest.mark.slow(machine(100, 30))
TestAnyOrderOften = pytest.mark.long(machine(500, 50))
