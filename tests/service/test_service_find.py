"""Decks are found by name, lists by state, job and day; a monitor needs the exit code only."""

from __future__ import annotations

import json

import pytest

from deckwright.service.operate.finding import STATES
from deckwright.service.operate.status import UNKNOWN
from service.house import cards_of, deck, house, run_of
from sets import first_line

UNREADABLE = "ß\n".encode("utf-16")


@pytest.fixture(scope="module")
def ended():
    """Give a house whose service has ended: done, returned, repaired and held decks."""
    with house() as made:
        made.job("other")
        made.drop("week-23.txt", cards_of(3))
        made.drop("week-24.txt", deck(b"XX".decode(), *cards_of(3).decode().splitlines()))
        made.drop("back-1.txt", UNREADABLE, "other")
        made.drop("back-2.txt", UNREADABLE + UNREADABLE, "other")
        made.once()
        made.drop("week-24.txt", cards_of(24))
        made.once()
        yield made


def found(made, *arguments) -> list[dict]:
    code, out, err = made.say(*arguments, "--json")
    assert err == ""
    assert code in {0, 1}
    return json.loads(out)


def test_a_deck_is_found_by_its_name_its_stem_its_run_and_a_number(ended) -> None:
    run = run_of("week-23.txt", cards_of(3))
    for text in ("week-23.txt", "week-23", run, run[:8], "23"):
        (entry,) = found(ended, "find", ended.root, text)
        assert (entry["run"], entry["state"], entry["job"]) == (run, "done", "cards"), text
        for name in entry["files"]:
            assert (ended.root / name).exists()
    code, out, _ = ended.say("find", ended.root, "back-1")
    assert code == 0
    assert "returned  other  back-1.txt  deck-unreadable" in out
    assert f"{ended.root}/returned/{run_of('back-1.txt', UNREADABLE)}/reasons.txt" in out


def test_a_repair_and_what_it_repairs_are_found_together(ended) -> None:
    first, second = found(ended, "find", ended.root, "week-24.txt")
    assert (first["repaired_by"], second["follows"]) == (second["run"], first["run"])
    backs = [
        [name for name in each["files"] if name.endswith("/returned")] for each in (first, second)
    ]
    assert backs == [[f"done/{first['run']}/out/returned"], []]


def test_a_deck_that_is_not_there_is_not_found(ended) -> None:
    code, out, err = ended.say("find", ended.root, "week-99")
    assert (code, out) == (1, "")
    assert "no deck is called 'week-99'" in err


def test_a_deck_in_the_inbox_is_found(ended) -> None:
    path = ended.root / "inbox" / "cards" / "fresh.txt"
    path.write_bytes(b"")
    try:
        (entry,) = found(ended, "find", ended.root, "fresh")
        assert (entry["state"], entry["files"]) == ("inbox", ["inbox/cards/fresh.txt"])
    finally:
        path.unlink()


def test_lists_by_state_job_and_day_part_all_runs(ended) -> None:
    everything = found(ended, "status", ended.root, "--job", "cards")
    everything += found(ended, "status", ended.root, "--job", "other")
    by_state = [
        each
        for state in STATES[1:]
        for each in found(ended, "status", ended.root, "--state", state)
    ]
    key = lambda each: each["run"]  # noqa: E731 # for the sort alone
    assert sorted(everything, key=key) == sorted(by_state, key=key)
    assert len(everything) == 5
    days = {each["ended_at"][:10] for each in everything}
    of_days = [each for day in days for each in found(ended, "status", ended.root, "--day", day)]
    assert {each["run"] for each in of_days} == {each["run"] for each in everything}
    assert found(ended, "status", ended.root, "--day", "1999-01-01") == []


def test_a_name_that_fits_several_runs_is_refused_with_a_list(ended) -> None:
    code, out, err = ended.say("requeue", ended.root, "week-24.txt")
    assert (code, out) == (1, "")
    assert "'week-24.txt' fits 2 runs; name one of them:" in err
    for each in found(ended, "find", ended.root, "week-24.txt"):
        assert each["run"] in err


@pytest.mark.slow
def test_decks_are_held_resumed_and_run_again_by_name_and_in_bulk() -> None:
    with house() as made:
        made.job("other")
        for number in range(3):
            made.drop(f"back-{number}.txt", UNREADABLE * (number + 1), "other")
        made.once()
        code, out, err = made.say("requeue", made.root, "--code", "deck-unreadable")
        assert (code, err) == (0, "")
        assert "3 decks run again" in out
        assert len(found(made, "status", made.root, "--state", "waiting")) == 3
        run = run_of("back-1.txt", UNREADABLE * 2, 2)
        assert made.say("hold", made.root, "back-1.txt")[:2] == (0, f"{run} is held\n")
        assert made.say("status", made.root)[0] == 13
        assert made.state(run) == "hold"
        assert made.say("resume", made.root, run[:10])[0] == 0
        assert made.state(run) == "work"
        assert made.say("requeue", made.root)[0] == 2
        assert made.say("requeue", made.root, run, "--job", "other")[0] == 2
        with made.serving():
            assert "0 decks" in made.say("requeue", made.root, "--code", "stage-failed")[1]
            code, _, err = made.say("requeue", made.root, "--job", "other", "--state", "returned")
            assert (code, err) == (0, "")
            for number in range(3):
                made.end_of(run_of(f"back-{number}.txt", UNREADABLE * (number + 1), 2))


def test_the_exit_code_of_the_status_tells_a_monitor_how_the_service_stands() -> None:
    with house() as made:
        assert made.say("status", made.root)[0] == 13
        with made.serving():
            assert made.status()["standing"] == "well"
            made.say("hold", made.root, "cards")
            made.wait(lambda: made.status()["standing"] == "held", "the hold")
            (made.root / "work" / "stray").touch()
            assert made.status()["exit_code"] == 11
            (made.root / "work" / "stray").unlink()
            made.say("resume", made.root, "cards")
            made.wait(lambda: made.status()["standing"] == "well", "a well service")
            made.settings('[limits]\nmin_free = "900000 GiB"')
            assert made.status()["exit_code"] == 12
            made.settings()
        found = made.status()
        assert (found["exit_code"], found["standing"], found["health"]) == (13, "down", [])


def test_what_lies_in_the_inbox_counts_the_same_whether_the_service_runs_or_not() -> None:
    with house() as made:
        (made.root / "inbox" / "nobody").mkdir()
        (made.root / "inbox" / "nobody" / "lost.txt").write_bytes(cards_of(1))
        made.job("marked", names=["*.dck"])
        cards = made.root / "inbox" / "cards"
        for name in (".forgotten.txt", "alone.ok", "half.part"):
            (cards / name).write_bytes(b"")
        with made.serving():
            made.say("hold", made.root, "marked")
            (made.root / "inbox" / "marked").mkdir(exist_ok=True)
            made.drop("one.dck", cards_of(2), "marked")
            made.drop("other.txt", cards_of(3), "marked")
            made.wait(lambda: len(made.status()["strays"]) == 2, "the strays")
            running = made.status()
        stopped = made.status()
        for key in ("in_inbox", "dropped", "strays", "strays_in_all", "passed_by"):
            assert running[key] == stopped[key], key
        assert stopped["in_inbox"] == 1
        why = {each["place"]: each["why"] for each in stopped["passed_by"]}
        assert why["cards/alone.ok"] == "marks alone as complete, and there is no such deck"
        assert ".*" in why["cards/.forgotten.txt"]
        assert "*.part" in why["cards/half.part"]
        made.dropped.clear()


@pytest.mark.slow
def test_decks_repaired_or_requeued_since_are_not_run_again_in_bulk_unless_named() -> None:
    with house() as made:
        for number in range(3):
            made.drop(f"back-{number}.txt", UNREADABLE * (number + 1))
        made.once()
        made.drop("back-0.txt", cards_of(3))
        made.once()
        again = ("requeue", made.root, "--code", "deck-unreadable")
        assert made.say("requeue", made.root, "back-1.txt")[0] == 0
        code, out, err = made.say(*again)
        assert (code, err) == (0, "")
        later = {0: run_of("back-0.txt", cards_of(3)), 1: run_of("back-1.txt", UNREADABLE * 2, 2)}
        for number, run in later.items():
            before = run_of(f"back-{number}.txt", UNREADABLE * (number + 1))
            assert f"{before} is left out: a later run took its place, {run}" in out
        assert "1 deck run again; 2 left out: to run one all the same, name it" in out
        waiting = {each["run"] for each in found(made, "status", made.root, "--state", "waiting")}
        assert waiting == {later[1], run_of("back-2.txt", UNREADABLE * 3, 2)}
        named = run_of("back-0.txt", UNREADABLE)
        assert f"{named} is run again as" in made.say("requeue", made.root, named)[1]


@pytest.mark.slow
@pytest.mark.parametrize("ledger", first_line(["kept", "removed"], "kept"))
def test_a_returned_run_whose_claim_was_edited_is_listed_whatever_the_ledger_knows(ledger) -> None:
    with house() as made:
        edited = made.drop("a.txt", UNREADABLE)
        for number in range(12):
            made.drop(f"back-{number}.txt", UNREADABLE * (number + 2))
        made.once()
        claim = made.root / "returned" / edited / "claim.json"
        claim.write_bytes(claim.read_bytes().replace(b"a.txt", b"b.txt"))
        if ledger == "removed":
            made.workspace.ledger.unlink()
        made.once()
        status = made.status()
        assert status["returned"] == 13
        assert edited in {each["run"] for each in status["returned_runs"]}
        listed = found(made, "status", made.root, "--state", "returned")
        assert edited in {each["run"] for each in listed}
        assert [each["run"] for each in found(made, "find", made.root, edited[:12])] == [edited]
        if ledger == "removed":
            assert f"returned  {UNKNOWN}  returned/{edited}" in made.say("status", made.root)[1]
            code, out, err = made.say("requeue", made.root, "--state", "returned")
            assert (code, err) == (0, "")
            assert f"{edited} is left out: {UNKNOWN}" in out
            assert "12 decks run again; 1 left out" in out
