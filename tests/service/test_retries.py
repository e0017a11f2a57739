"""When a deck is tried again, when it comes back, and when its job is held instead."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.jobs.service import RetrySpec
from deckwright.service.operate.control import Request
from deckwright.service.runs.retries import wait_before
from deckwright.service.store.ledger import LedgerFullError
from deckwright.service.store.records import Reasons, load
from service.kit import CARDS, Rig, assert_contract, drop, quick_room, spec_with
from strategies import RUN_NAMES

USUAL = RetrySpec()
TWO_HOURS = 7200.0


class TimedRig(Rig):
    """A rig that knows when each try began."""

    @override
    def tell(self, event: str, **facts: object) -> None:
        super().tell(event, at=self.clock.time, **facts)

    def begun(self, run: str) -> list[float]:
        """Return when the tries of a run began."""
        return [facts["at"] for facts in self.told("run_started") if facts["run"] == run]


@pytest.fixture
def root() -> Iterator[Path]:
    with quick_room() as room:
        yield room / "workspace"


def rig_on(root: Path, **changes: object) -> TimedRig:
    """Return a started service with the usual tries and waits."""
    rig = TimedRig(root, spec=spec_with(retry=USUAL, **changes))
    rig.start()
    return rig


def lay(root: Path, **decks: str) -> dict[str, bytes]:
    """Lay decks of one line into the inbox; return them."""
    Rig(root).close()
    dropped = {name: f"{line}\n".encode() for name, line in decks.items()}
    for name, data in dropped.items():
        drop(root, name, data)
    return dropped


def reasons_of(root: Path) -> list[Reasons]:
    """Return why decks came back."""
    return [load(Reasons, home / "reasons.json") for home in sorted((root / "returned").iterdir())]


# ---- waits


@given(RUN_NAMES, st.integers(1, 200))
def test_waits_double_up_to_the_longest_a_fifth_more_or_less(run, tries):
    usual = min(30.0 * 2 ** (tries - 1), 3600.0)
    wait = wait_before(USUAL, run, tries)
    assert 0.8 * usual <= wait <= 1.2 * usual
    assert wait == wait_before(USUAL, run, tries)


@given(RUN_NAMES, st.integers(1, 20))
def test_a_run_is_early_or_late_by_the_same_part_each_time(run, tries):
    usual = min(30.0 * 2 ** (tries - 1), 3600.0)
    assert wait_before(USUAL, run, tries) / usual == pytest.approx(wait_before(USUAL, run, 1) / 30)


def test_runs_that_failed_together_come_back_spread_over_the_whole_span():
    waits = sorted(wait_before(USUAL, f"{number:016x}-000000-1", 1) for number in range(400))
    assert waits[0] < 24.3
    assert waits[-1] > 35.7
    assert max(late - early for early, late in pairwise(waits)) < 0.5


# ---- tries


@pytest.mark.parametrize(
    ("line", "tries", "code"),
    [("!die", 3, "stub"), ("!late", 3, "stub"), ("!stage", 2, "stub"), ("!deck", 1, "stub"),
     ("!lie", 2, "outputs-wrong")],
)  # fmt: skip
def test_a_deck_has_so_many_tries_and_comes_back_with_the_cause_of_each(line, tries, code, root):
    dropped = lay(root, bad=line)
    rig = rig_on(root)
    rig.step_all()
    rig.close()
    tally = assert_contract(root, dropped, ended=True)
    assert (tally.done, tally.returned) == (0, 1)
    (reasons,) = reasons_of(root)
    assert [entry.code for entry in reasons.entries] == [code] * tries
    begun = rig.begun(reasons.run)
    waits = [late - early for early, late in pairwise(begun)]
    assert waits == pytest.approx([wait_before(USUAL, reasons.run, n) for n in range(1, tries)])


def test_other_decks_pass_one_by_that_waits_for_its_next_try(root):
    dropped = lay(root, bad="!die", one="one", two="two")
    rig = rig_on(root)
    rig.step_due()
    tally = assert_contract(root, dropped)
    rig.close()
    assert (tally.waiting, tally.done) == (1, 2)


def test_a_full_disk_counts_as_no_try(root):
    dropped = lay(root, deck="!room")
    rig = rig_on(root)
    rig.step_all(waits=20)
    assert len(rig.told("run_started")) > 10
    assert {facts["number"] for facts in rig.told("run_started")} == {1}
    rig.close()
    assert assert_contract(root, dropped).waiting == 1


def test_a_fault_of_the_config_holds_the_job_and_counts_as_no_try(root):
    dropped = lay(root, deck="!job", other="other")
    rig = rig_on(root, workers=1)
    rig.step_all()
    assert rig.holds.all() == {CARDS: "the stub was told to end with job"}
    assert [facts["number"] for facts in rig.told("run_started")] == [1]
    rig.close()
    assert assert_contract(root, dropped).waiting == 2


# ---- a start between


@pytest.mark.parametrize("line", ["!stage", "!die"])
def test_a_deck_has_no_more_tries_because_the_service_was_started_again_between(line, root):
    dropped = lay(root, bad=line)
    begun: Counter[str] = Counter()
    while assert_contract(root, dropped).waiting:
        rig = rig_on(root)
        rig.step_due()
        begun.update(str(facts["run"]) for facts in rig.told("run_started"))
        rig.close()
    assert list(begun.values()) == [USUAL.stage_tries if line == "!stage" else USUAL.tries]


# ---- a stage that fails for every deck


def fifty(root: Path) -> dict[str, bytes]:
    return lay(root, **{f"{number:02}": f"card {number}" for number in range(50)})


@pytest.mark.parametrize("starts_between", [False, True])
def test_a_broken_stage_holds_its_job_and_fifty_decks_wait_and_are_done(
    starts_between, root, counts
):
    dropped = fifty(root)
    rig = rig_on(root)
    rig.workers.failing = "broken"
    rig.step_all()
    tally = assert_contract(root, dropped)
    counts(returned=tally.returned, waiting=tally.waiting)
    assert tally.returned <= USUAL.breaker
    assert tally.waiting == 50 - tally.returned
    assert rig.holds.all() == {CARDS: "5 decks in a row failed in broken (stub)"}
    for _ in range(2 * starts_between):  # held as it was, and nothing comes back
        rig.close()
        rig = rig_on(root)
        rig.step_all()
    assert assert_contract(root, dropped).waiting == tally.waiting
    rig.workers.failing = ""
    rig.ask("resume", CARDS)
    if starts_between:
        for path in (root / "control").glob("*.request"):
            rig.operator.serve(path)
        rig.close()
        rig = rig_on(root)
    rig.step_all()
    rig.close()
    tally = assert_contract(root, dropped, ended=True)
    assert tally.done >= 50 - USUAL.breaker


def one_run(rig: Rig, failing: str = "broken") -> None:
    """Let one deck more run."""
    rig.take()
    rig.workers.failing = failing
    rig.runs.start_free(rig.workers)
    for ended in rig.workers.poll():
        rig.runs.end(ended)


@pytest.mark.parametrize(
    ("kinds", "held_after"),
    [
        (["broken"] * 5, 5),
        (["broken"] * 4 + [""] + ["broken"] * 5, 10),
        (["other"] * 3 + ["broken"] * 5, 8),
    ],
)
def test_failures_in_a_row_are_counted_on_whenever_the_service_is_started_again(
    kinds, held_after, root
):
    fifty(root)
    for number, failing in enumerate(kinds, 1):
        rig = rig_on(root, workers=1)
        one_run(rig, failing)
        assert (CARDS in rig.holds) == (number == held_after), number
        rig.close()


def test_what_was_excused_is_not_counted_after_a_start(root):
    fifty(root)
    rig = rig_on(root, workers=1)
    for _ in range(5):
        one_run(rig)
    assert rig.runs.resume_job(CARDS)
    for _ in range(4):
        rig.close()
        rig = rig_on(root, workers=1)
        one_run(rig)
        assert CARDS not in rig.holds
    rig.close()


def test_a_try_that_does_not_count_is_struck_out_when_the_full_ledger_has_room_again(
    root, monkeypatch
):
    dropped = lay(root, deck="!room")
    rig = rig_on(root)
    full, real = [1] * 3, rig.ledger.drop_try

    def drop_try(run: str) -> None:
        if full:
            full.pop()
            raise LedgerFullError
        real(run)

    monkeypatch.setattr(rig.ledger, "drop_try", drop_try)
    rig.step_all(waits=20)
    assert not full
    assert {facts["number"] for facts in rig.told("run_started")} == {1}
    assert len(rig.told("run_started")) > 5
    rig.close()
    assert assert_contract(root, dropped).waiting == 1


def test_what_an_attempt_left_is_thrown_away_before_the_next(root):
    """As after a power cut, when what was removed has come back, before a held deck goes on."""
    dropped = lay(root, deck="deck")
    rig = rig_on(root)
    rig.take()
    (run,) = rig.runs.open
    rig.operator.do(Request(wish="hold", what=run))
    left = root / "hold" / run / "out.1" / "out"
    left.mkdir(parents=True)
    (left / "cards.txt").write_bytes(b"half")
    rig.operator.do(Request(wish="resume", what=run))
    rig.step_due()
    rig.close()
    assert assert_contract(root, dropped, ended=True).done == 1


def test_a_stage_that_stays_broken_holds_its_job_again_and_again(root):
    dropped = fifty(root)
    rig = rig_on(root)
    rig.workers.failing = "broken"
    for round_ in range(1, 5):
        rig.step_all()
        assert len(rig.told("job_held")) == round_
        assert assert_contract(root, dropped).returned <= round_ * USUAL.breaker
        rig.ask("resume", CARDS)
    rig.workers.failing = ""
    rig.step_all()
    rig.close()
    assert_contract(root, dropped, ended=True)


def test_decks_with_faults_of_their_own_hold_no_job(root):
    dropped = lay(root, **{f"{number:02}": f"!deck {number}" for number in range(50)})
    rig = rig_on(root)
    rig.step_all()
    assert rig.holds.all() == {}
    rig.close()
    assert assert_contract(root, dropped, ended=True).returned == 50


def test_a_deck_that_goes_through_between_keeps_the_job_going(root):
    """Two failing, one good, two failing, and so on: never five in a row."""
    lines = {f"{n:02}": f"card {n}" if n % 3 == 2 else f"!stage {n}" for n in range(24)}
    dropped = lay(root, **lines)
    rig = rig_on(root, workers=1)
    rig.step_due()
    assert rig.holds.all() == {}
    rig.close()
    assert assert_contract(root, dropped).done == 8


def test_one_deck_that_fails_again_and_again_holds_no_job(root):
    dropped = lay(root, bad="!die")
    rig = TimedRig(root, spec=spec_with(retry=RetrySpec(tries=20)))
    rig.start()
    rig.step_all()
    assert len(rig.told("run_started")) == 20
    assert rig.holds.all() == {}
    rig.close()
    assert assert_contract(root, dropped, ended=True).returned == 1


@pytest.mark.parametrize("line", ["!stage", "!die"])
def test_what_is_held_runs_again_when_it_is_resumed(line, root):
    """Decks that had their last try when the job was held are not given back for it later."""
    lay(root, **{f"{number}": f"{line} {number}" for number in range(5)})
    rig = rig_on(root)
    rig.step_all()
    assert CARDS in rig.holds
    rig.advance(TWO_HOURS)
    before = len(rig.told("run_started"))
    rig.step_all()
    assert len(rig.told("run_started")) == before
    rig.ask("resume", CARDS)
    rig.step_due()
    assert len(rig.told("run_started")) > before
    rig.close()
