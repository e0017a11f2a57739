"""What the ledger is told, it answers: names of any bytes, states, tries, what was done before."""

from __future__ import annotations

import os
from contextlib import closing
from itertools import count
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.service.store.ledger import Ledger, LedgerError
from deckwright.service.store.records import Claim, DeckFacts, LaneStep
from deckwright.service.system.places import run_prefix
from service.contract import sha256
from service.kit import drop, quick_room, run_all, started, workspace
from service.scenarios import run_of
from strategies import FILE_NAMES


def claim(name: str | bytes, data: bytes, order: int, number: int = 1) -> Claim:
    """Return the claim of a deck."""
    name = os.fsencode(name)
    digest = sha256(data)
    return Claim(
        run=f"{run_prefix(digest, name)}-{number}",
        deck=DeckFacts(name=name.hex(), shown="a deck", size=len(data), sha256=digest),
        folder=b"cards".hex(), job="cards", config="0" * 64, taken_at="", order=order,
    )  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(names=st.lists(FILE_NAMES, min_size=1, max_size=8, unique=True))
def test_names_of_any_bytes_are_kept_byte_for_byte(names):
    with quick_room() as room, closing(Ledger(room / "ledger.db")) as ledger:
        for order, name in enumerate(names, start=1):
            ledger.add(claim(name, b"x", order), 0)
        assert [row.name for row in ledger.rows("waiting")] == names
        assert ledger.last_place() == len(names)
        for name in names:
            ledger.end(claim(name, b"x", 0).run, "done", "now")
            assert ledger.done_before(sha256(b"x"), name, None) == claim(name, b"x", 0).run
            assert ledger.done_before(sha256(b"x"), name + b"!", None) is None


ACTIONS = st.sampled_from(
    ["add", "begin_try", "end_try", "drop_try", "hold", "waiting", "done", "returned", "forget"]
)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(ACTIONS, st.integers(0, 3)), max_size=25))
def test_it_answers_what_was_entered(actions):
    model: dict[str, tuple[str, int]] = {}
    claims = [claim("a", b"%d" % (each // 2), each + 1, each % 2 + 1) for each in range(4)]
    with quick_room() as room:
        with closing(Ledger(room / "ledger.db")) as ledger:
            for action, number in actions:
                enter(ledger, model, action, claims[number])
        with closing(Ledger(room / "ledger.db")) as ledger:
            assert not ledger.fresh
            assert_answers(ledger, model, claims)


def enter(ledger: Ledger, model: dict[str, tuple[str, int]], action: str, of: Claim) -> None:
    """Enter something, into a model too: run to state and tries."""
    if action == "add":
        ledger.add(of, 0)
        model.setdefault(of.run, ("waiting", 0))
        return
    if of.run not in model:
        return
    state, tries = model[of.run]
    match action:
        case "begin_try":
            assert ledger.begin_try(of.run, "now") == tries + 1
            model[of.run] = ("running", tries + 1)
        case "end_try":
            ledger.end_try(of.run, "stage", "code", "stage", "sentence", ["file:1 call"])
            model[of.run] = ("waiting", tries)
        case "drop_try":
            ledger.drop_try(of.run)
            state = "waiting" if state == "running" else state
            model[of.run] = (state, max(0, tries - 1))
        case "done" | "returned":
            ledger.end(of.run, action, "now")
            model[of.run] = (action, tries)
        case "forget":
            ledger.forget(of.run)
            del model[of.run]
        case _:
            ledger.set_state(of.run, action)
            model[of.run] = (action, tries)


def assert_answers(ledger: Ledger, model: dict[str, tuple[str, int]], claims: list[Any]) -> None:
    assert dict(ledger.states()) == {run: state for run, (state, _) in model.items()}
    assert sum(ledger.counts().values()) == len(model)
    known = [each for each in claims if each.run in model]
    assert ledger.last_place() == max((each.order for each in known), default=0)
    for each in claims:
        state, tries = model.get(each.run, ("", 0))
        row = ledger.row(each.run)
        assert (row.state if row else "") == state
        assert ledger.tries(each.run) == tries
        assert [entry.number for entry in ledger.tries_of(each.run)] == list(range(1, tries + 1))
        prefix = each.run.rpartition("-")[0]
        numbers = [int(run.rpartition("-")[2]) for run in model if run.startswith(prefix)]
        assert ledger.last_n(prefix) == max(numbers, default=0)


def test_a_reader_beside_the_writer_sees_what_was_entered_and_writes_nothing(tmp_path):
    with closing(Ledger(tmp_path / "ledger.db")) as ledger:
        ledger.add(claim("a", b"x", 1), 0)
        with closing(Ledger.reader(tmp_path / "ledger.db")) as reader:
            assert [row.name for row in reader.rows("waiting")] == [b"a"]
            with pytest.raises(LedgerError, match="readonly"):
                reader.set_state(run_of(("a", b"x")), "done")


def test_a_reader_makes_no_ledger(tmp_path):
    with pytest.raises(LedgerError):
        Ledger.reader(tmp_path / "ledger.db")
    assert list(tmp_path.iterdir()) == []


def test_a_ledger_that_was_full_can_be_written_when_there_is_room(tmp_path):
    with closing(Ledger(tmp_path / "ledger.db")) as ledger:
        ledger.add(claim("a", b"x", 1), 0)
        limit(ledger, 0)
        with pytest.raises(LedgerError, match="full"):
            begin_tries(ledger)
        limit(ledger, 100_000)
        tries = ledger.tries(run_of(("a", b"x")))
        assert tries > 0
        assert ledger.begin_try(run_of(("a", b"x")), "now") == tries + 1
        ledger.drop_try(run_of(("a", b"x")))
        assert ledger.tries(run_of(("a", b"x"))) == tries


def begin_tries(ledger: Ledger) -> None:
    for number in count():
        ledger.begin_try(run_of(("a", b"x")), f"{number}" * 500)


def limit(ledger: Ledger, pages: int) -> None:
    """Let a ledger grow to so many pages, or no further than it is."""
    ledger._db.execute(f"PRAGMA max_page_count={pages or 1}")  # noqa: SLF001 # stands for a full disk


def test_ended_runs_are_listed_by_what_is_still_to_be_done_with_them():
    with quick_room() as room, closing(Ledger(room / "ledger.db")) as ledger:
        claims = [claim("deck", b"%d" % number, number) for number in range(1, 6)]
        first, second, third, back, waits = (each.run for each in claims)
        for each in claims:
            ledger.add(each, 7)
        for number, run in enumerate((second, first, third), start=1):
            ledger.end(run, "done", f"2031-05-0{number}")
        ledger.end(back, "returned", "2031-05-04", code="late-bytes")
        ledger.mark_late(third)
        ledger.mark_delivered(first, "2031-05-05")
        ledger.note_mtime(second, 9)
        # changed decks are looked at no more
        assert [row.run for row in ledger.ended_after(0, "2031", 9)] == [first, second]
        assert [row.run for row in ledger.ended_after(1, "2031", 9)] == [second]
        assert [row.run for row in ledger.ended_after(0, "2031-05-02", 9)] == [first]
        assert [row.run for row in ledger.ended_after(0, "2031", 1)] == [first]
        assert [row.run for row in ledger.undelivered(["cards", "other"], 9)] == [second, third]
        assert ledger.undelivered(["other"], 9) == []
        assert [row.run for row in ledger.latest("done", 2)] == [third, second]
        assert [row.run for row in ledger.ended_last(3)] == [back, third, first]
        assert sorted(ledger.jobs_by_state("done", "waiting")) == [
            ("done", "cards", 3), ("waiting", "cards", 1),
        ]  # fmt: skip
        assert (ledger.row(second).mtime_ns, ledger.row(waits).mtime_ns) == (9, 7)
        assert ledger.row(first).delivered == "2031-05-05"


class Modes(Ledger):
    """Notes whether each writing step is flushed: 1 = with the next one that is, 2 = at once."""

    noted: list[int]
    fails = False

    def _do(self, sql: str, values: Any = ()) -> Any:
        if sql.startswith(("INSERT", "UPDATE", "COMMIT", "DELETE")):
            self.noted.append(self._db.execute("PRAGMA synchronous").fetchone()[0])
            if self.fails:
                msg = "disk I/O error"
                raise LedgerError(msg)
        return super()._do(sql, values)


def test_only_what_the_folders_say_too_waits_for_the_next_flush() -> None:
    lane = LaneStep(
        lane="stock", number=1, parent="0" * 64, file="next.csv", next="1" * 64, after=3
    )
    steps: dict[str, tuple[int, Any]] = {
        "add": (1, lambda ledger, run: ledger.add(claim("b", b"b", 2), 0)),
        "end": (1, lambda ledger, run: ledger.end(run, "done", "now")),
        "end of a lane": (2, lambda ledger, run: ledger.end(run, "done", "now", lane=lane)),
        "begin_try": (2, lambda ledger, run: ledger.begin_try(run, "now")),
        "end_try": (2, lambda ledger, run: ledger.end_try(run, "stage", "c", "s", "t", [])),
        "drop_try": (2, lambda ledger, run: ledger.drop_try(run)),
        "hold": (2, lambda ledger, run: ledger.set_state(run, "hold")),
        "forget": (2, lambda ledger, run: ledger.forget(run)),
        "mark_delivered": (2, lambda ledger, run: ledger.mark_delivered(run, "now")),
    }
    for name, (wanted, step) in steps.items():
        with quick_room() as room, closing(Modes(room / "ledger.db")) as ledger:
            ledger.noted = []
            known = claim("a", b"a", 1)
            ledger.add(known, 0)
            ledger.noted.clear()
            step(ledger, known.run)
            assert ledger.noted, name
            assert set(ledger.noted) == {wanted}, name
            assert ledger._db.execute("PRAGMA synchronous").fetchone() == (2,)  # noqa: SLF001


@pytest.mark.parametrize("step", ["add", "end"])
def test_after_one_that_fails_commits_are_flushed_as_before(step) -> None:
    with quick_room() as room, closing(Modes(room / "ledger.db")) as ledger:
        ledger.noted, ledger.fails = [], True
        with pytest.raises(LedgerError):
            ledger.add(claim("a", b"a", 1), 0) if step == "add" else ledger.end("x", "done", "now")
        assert ledger._db.execute("PRAGMA synchronous").fetchone() == (2,)  # noqa: SLF001


def test_a_deck_repairs_the_last_of_its_name_only_where_something_of_that_came_back() -> None:
    with workspace(("sound.deck", b"card\n"), ("back.deck", b"!deck\n")) as root:
        run_all(root)
        with started(root) as rig:
            (back,) = rig.ledger.rows("returned")
            assert rig.ledger.repaired_by("cards", b"back.deck") == back
            assert rig.ledger.repaired_by("cards", b"sound.deck") is None
            assert rig.ledger.repaired_by("stock", b"back.deck") is None
            for name in (b"back.deck.zip", b"back.deck.tar.gz"):  # as an archive comes back
                assert rig.ledger.repaired_by("cards", name) == back
            assert rig.ledger.repaired_by("cards", b"back.tar") is None
        drop(root, "sound.deck", b"card\n")
        run_all(root)
        with started(root) as rig:
            codes = {row.code for row in rig.ledger.rows("returned")}
            assert codes == {back.code, "duplicate"}
            assert rig.ledger.repaired_by("cards", b"sound.deck") is None


def test_a_box_that_comes_back_packed_otherwise_follows_its_first() -> None:
    with workspace(("box-7.zip", b"!deck\n"), ("box-8.tgz", b"!deck\n")) as root:
        run_all(root)
        with started(root) as rig:
            first = {row.name: row for row in rig.ledger.rows("returned")}
            assert rig.ledger.repaired_by("cards", b"box-7.tar") == first[b"box-7.zip"]
            assert rig.ledger.repaired_by("cards", b"box-8.tar") == first[b"box-8.tgz"]
            assert rig.ledger.repaired_by("cards", b"box-7.txt") is None
            assert rig.ledger.repaired_by("cards", b".tar") is None
