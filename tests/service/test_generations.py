"""Generations of a master: every one is known, and an earlier one comes back without a loss."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.service.operate.control import Request
from deckwright.service.operate.verify import verify
from deckwright.service.store.generations import KEPT, LaneStoppedError
from deckwright.service.system.places import Workspace
from service.kit import FIRST_MASTER, STOCK, Rig, drop, run_all, started, workspace

WISH = {"by": "A. Keeper", "why": "a deck of another week went into it"}


def current(root: Path) -> bytes:
    return (root / "master" / STOCK / "current").read_bytes()


def differences(root: Path) -> list[str]:
    return [each.place for _, found in verify(Workspace(root)) for each in found]


def restore(rig: Rig, number: int, **changes: str) -> tuple[bool, str]:
    """Ask for a generation; return whether it was put back, and the answer."""
    wish = Request(wish="restore", what=f"{STOCK}/{number}", **(WISH | changes))
    answer = rig.operator.do(wish)
    return answer.done, answer.said


@settings(max_examples=12)
@given(steps=st.lists(st.one_of(st.none(), st.integers(0, 9)), min_size=1, max_size=9))
def test_any_run_and_any_return_makes_a_generation_and_loses_none(steps) -> None:
    """None: a run; a number: put that generation back."""
    with workspace(job=STOCK) as root:
        states = [FIRST_MASTER]
        for place, step in enumerate(steps):
            with started(root) as rig:
                if step is None:
                    drop(root, str(place), b"%d\n" % place, job=STOCK)
                    rig.step_all()
                    states.append(states[-1] + b"%d\n" % place)
                elif step < len(states) - 1:
                    assert restore(rig, step)[0]
                    states.append(states[step])
                else:
                    assert not restore(rig, step)[0]
        if len(states) == 1:
            return
        assert current(root) == states[-1]
        with started(root) as rig:
            every = rig.lanes.generations.every(STOCK)
            assert [each.number for each in every] == list(range(len(states)))
            for each, state in zip(every[:-1], states, strict=False):
                assert rig.lanes.generations.bytes_of(STOCK, each).read_bytes() == state
        assert differences(root) == []


def test_the_same_decks_after_a_return_give_the_same_master() -> None:
    decks = [("1", b"one\n"), ("2", b"two\n"), ("3", b"three\n")]
    with workspace(*decks, job=STOCK) as root:
        run_all(root)
        wanted = current(root)
        with started(root) as rig:
            assert restore(rig, 1) == (
                True, f"{STOCK} is as generation 1 was; this is generation 4 now",
            )  # fmt: skip
            runs = [row.run for row in rig.ledger.moves_of_lane(STOCK)][1:]
            for run in runs:
                rig.operator.do(Request(wish="requeue", what=run))
                rig.step_all()
        assert current(root) == wanted
        assert differences(root) == []


def test_only_some_generations_are_kept_and_the_first_always() -> None:
    count = KEPT + 4
    with workspace(job=STOCK) as root:
        for number in range(count):
            drop(root, str(number), b"%d\n" % number, job=STOCK)
            run_all(root)
        kept = sorted(path.name for path in (root / "master" / STOCK / "generations").iterdir())
        wanted = [0, *range(count - KEPT, count)]
        assert kept == [f"{number:06d}" for number in wanted]
        with started(root) as rig:
            assert restore(rig, 2)[0]  # its run still has it
        assert current(root) == FIRST_MASTER + b"0\n1\n"


def test_a_run_that_reads_the_master_keeps_it_from_being_put_back() -> None:
    with workspace(("1", b"one\n"), ("2", b"two\n"), job=STOCK) as root:
        run_all(root)
        with started(root) as rig:
            drop(root, "3", b"three\n", job=STOCK)
            rig.take()
            rig.runs.start_free(rig.workers)
            done, said = restore(rig, 1)
            assert not done
            assert "ask again when it has ended" in said
            rig.step_all()
        assert current(root) == FIRST_MASTER + b"one\ntwo\nthree\n"


@pytest.mark.parametrize(
    ("what", "said"),
    [("7", "stock/7 has"), ("2", "no earlier generation 2"), ("x", "names no generation")],
)
def test_what_cannot_be_put_back_is_said_in_a_sentence(what, said) -> None:
    with workspace(("1", b"one\n"), ("2", b"two\n"), job=STOCK) as root:
        run_all(root)
        with started(root) as rig:
            answer = rig.operator.do(Request(wish="restore", what=f"{STOCK}/{what}", **WISH))
            assert not answer.done
            if said != "stock/7 has":
                assert said in answer.said
            assert not restore(rig, 1, by="")[0]
            assert not rig.operator.do(Request(wish="restore", what="../x/1", **WISH)).done
            assert not rig.operator.do(Request(wish="restore", what="nothing/1", **WISH)).done
        assert current(root) == FIRST_MASTER + b"one\ntwo\n"


def test_a_kept_generation_that_was_changed_is_neither_put_back_nor_overlooked() -> None:
    with workspace(("1", b"one\n"), ("2", b"two\n"), job=STOCK) as root:
        run_all(root)
        place = root / "master" / STOCK / "generations" / "000000"
        place.write_bytes(b"of somebody else\n")
        assert differences(root) == [f"master/{STOCK}/generations/000000"]
        with started(root) as rig:
            done, said = restore(rig, 0)
            assert not done
            assert "are not there any more" in said
        assert current(root) == FIRST_MASTER + b"one\ntwo\n"


def test_a_record_of_a_return_that_was_changed_stops_the_master() -> None:
    with workspace(("1", b"one\n"), ("2", b"two\n"), job=STOCK) as root:
        run_all(root)
        with started(root) as rig:
            assert restore(rig, 1)[0]
        path = root / "master" / STOCK / "restored" / "000003.json"
        path.write_bytes(path.read_bytes().replace(b"A. Keeper", b"B. Keeper"))
        with started(root) as rig, pytest.raises(LaneStoppedError, match="restore it from a copy"):
            rig.lanes.generations.last(STOCK)
        assert any("restored/000003.json" in place for place in differences(root))


def test_the_master_before_is_one_file_with_what_was_kept_and_never_changed_by_it() -> None:
    with workspace(("1", b"one\n"), ("2", b"two\n"), job=STOCK) as root:
        run_all(root)
        first = root / "master" / STOCK / "generations" / "000001"
        assert first.read_bytes() == FIRST_MASTER + b"one\n"
        assert first.stat().st_nlink == 1
        (root / "master" / STOCK / "current").write_bytes(b"by hand\n")
        assert first.read_bytes() == FIRST_MASTER + b"one\n"


def test_the_commands_list_and_put_back(shop) -> None:
    with workspace(("1", b"one\n"), ("2", b"two\n"), job=STOCK) as root:
        run_all(root)
        said = shop.say("restore", root, STOCK, "1", "--by", "A. Keeper", "--reason", "a test")
        assert (said.code, said.out) == (
            0, f"{STOCK} is as generation 1 was; this is generation 3 now\n",
        )  # fmt: skip
        rows = json.loads(shop.say("generations", root, "--json").out)
        assert [row["generation"] for row in rows] == [0, 1, 2, 3]
        assert rows[3]["sha256"] == rows[1]["sha256"]
        assert [row["now"] for row in rows] == [False, False, False, True]
        said = shop.say("generations", root, STOCK)
        assert said.code == 0
        assert "the file that the job names" in said.out
        assert "generation 1 put back on" in said.out
        said = shop.say("generations", root, "nothing")
        assert said.code == 1
        assert "no master is called 'nothing'" in said.err
