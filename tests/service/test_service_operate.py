"""What an operator does: hold, resume, run again, look, verify, tidy up; each may be done twice."""

from __future__ import annotations

import csv
import json
import re
from functools import cache
from pathlib import Path

import pytest

from deckwright.jobs.service import load_service
from deckwright.service.config.compile import compile_jobs
from deckwright.service.operate.starting import init_workspace
from deckwright.service.operate.status import gather
from deckwright.service.operate.verify import verify
from deckwright.service.setup import Tools
from service.contract import assert_ledger, files_of
from service.house import House, card, cards_of, deck, house, run_of
from sets import first_line

UNREADABLE = "ß\n".encode("utf-16")
STATES = ("in_inbox", "waiting", "running", "held", "done", "returned")


@pytest.fixture(scope="module")
def served():
    """Give a house that is served, with a job whose runs wait at a gate."""
    with house(workers=2) as made:
        made.gated("slow")
        made.job("held")
        with made.serving():
            yield made


def ordered(place: House, *arguments: str) -> str:
    """Give a command that must do what it is told; return what it says."""
    command, *more = arguments
    code, out, err = place.say(command, place.root, *more)
    assert (code, err) == (0, "")
    return out


def refused(place: House, *arguments: str) -> str:
    """Give a command that must not do what it is told; return what it says."""
    command, *more = arguments
    code, out, err = place.say(command, place.root, *more)
    assert (code, out) == (1, "")
    return err


# ---- run again


def test_a_done_run_is_run_again_once_however_often_that_is_asked_for(served) -> None:
    first = served.drop("again.txt", cards_of(1))
    before = files_of(served.done(first))
    second = run_of("again.txt", cards_of(1), 2)
    assert second in ordered(served, "requeue", first)
    assert second in ordered(served, "requeue", first)
    again = served.done(second)
    assert second in ordered(served, "requeue", first)
    assert not served.state(run_of("again.txt", cards_of(1), 3))
    assert files_of(served.root / "done" / first) == before
    assert files_of(again / "out") == files_of(served.root / "done" / first / "out")
    assert served.claim(second).again == first
    third = run_of("again.txt", cards_of(1), 3)
    assert third in ordered(served, "requeue", second)
    served.done(third)


def test_a_returned_deck_is_run_again(served) -> None:
    first = served.drop("back.txt", UNREADABLE)
    assert served.returned(first) == ["deck-unreadable"]
    second = run_of("back.txt", UNREADABLE, 2)
    assert second in ordered(served, "requeue", first)
    assert served.returned(second) == ["deck-unreadable"]


def test_what_has_not_ended_or_is_not_there_is_not_run_again(served) -> None:
    assert "no run" in refused(served, "requeue", run_of("nobody.txt", b"", 1))
    assert "no run" in refused(served, "requeue", "cards")
    assert "no run" in refused(served, "requeue", "../../etc")


# ---- hold and resume


def test_a_held_job_takes_no_deck_until_it_is_resumed(served) -> None:
    for _ in range(2):
        assert "is held" in ordered(served, "hold", "held")
    run = served.drop("patient.txt", cards_of(3), "held")
    other = served.drop("other.txt", cards_of(3))
    served.done(other)
    status = served.status()
    assert "held" in status["held_jobs"]
    assert (served.state(run), status["in_inbox"] >= 1) == ("", True)
    for _ in range(2):
        assert "held" in ordered(served, "resume", "held")
    served.done(run)
    assert "held" not in served.status()["held_jobs"]


def test_a_waiting_run_is_held_and_resumed_and_a_running_one_is_not(served) -> None:
    decks = {f"slow-{n}.txt": cards_of(40 + n) for n in range(3)}
    runs = []
    for name, data in decks.items():  # one after the other, so that the last one waits
        runs.append(served.drop(name, data, "slow"))
        served.told("deck_taken", run=runs[-1])
    served.at_gate("slow", 2)
    waiting = runs[2]
    assert "runs now" in refused(served, "hold", runs[0])
    for _ in range(2):
        assert f"{waiting} is held" in ordered(served, "hold", waiting)
    assert served.state(waiting) == "hold"
    status = served.status()
    assert status["held"] == 1
    assert [each["deck"] for each in status["held_runs"]] == ["slow-2.txt"]
    assert {each["run"] for each in status["running_now"]} == set(runs[:2])
    served.open_gate("slow")
    for run in runs[:2]:
        served.done(run)
    assert served.state(waiting) == "hold"
    assert waiting in ordered(served, "resume", waiting)
    served.done(waiting)
    assert f"{waiting} is done" in refused(served, "resume", waiting)
    assert f"{waiting} is done" in refused(served, "hold", waiting)


@pytest.fixture
def compiled_once(monkeypatch):
    """Let commands without a service compile the jobs of a house only once: it takes a second."""
    tools = Tools(compile_jobs=cache(compile_jobs))
    monkeypatch.setattr("deckwright.cli.shared.operate.Tools", lambda: tools)


@pytest.mark.slow
def test_without_a_service_the_commands_do_the_same_and_a_second_time_nothing(
    compiled_once,
) -> None:
    with house(stop_s=0.2, workers=2) as made:
        made.gated("slow")
        made.start()
        run = made.drop("a.txt", cards_of(1), "slow")
        ended = made.drop("b.txt", cards_of(2))
        made.done(ended)
        made.at_gate("slow")
        made.stop()
        assert made.state(run) == "work"
        for _ in range(2):
            assert f"{run} is held" in ordered(made, "hold", run)
        assert made.state(run) == "hold"
        ordered(made, "hold", "slow")
        made.once()
        assert made.state(run) == "hold"
        ordered(made, "resume", "slow")
        for _ in range(2):
            assert f"{run} waits" in ordered(made, "resume", run)
        second = run_of("b.txt", cards_of(2), 2)
        for _ in range(2):
            assert second in ordered(made, "requeue", ended)
        assert "no run" in refused(made, "hold", run_of("c.txt", b"c", 1))
        made.open_gate("slow")
        made.once()
        assert [made.state(each) for each in (run, ended, second)] == ["done"] * 3
        assert made.check(ended=True).done == 2
        assert_ledger(made.root)


# ---- status


@pytest.mark.slow
def test_the_status_adds_up_to_what_was_dropped_at_every_moment() -> None:
    with house(workers=2, ignore=["*.part"]) as made:
        made.gated("slow")
        made.job("held")
        (made.root / "control" / "held-held").write_text("held by a test")
        spec = load_service(made.workspace.service_file)
        sums, states = [], set()

        def look() -> None:
            found = gather(made.workspace, spec)
            sums.append((found.dropped, len(made.dropped)))
            states.update(state for state in STATES if getattr(found, state))

        made.drop("before.txt", cards_of(1))
        look()
        made.start()
        (made.root / "inbox" / "cards" / "half.part").write_bytes(b"half")
        slow = [made.drop(f"slow-{n}.txt", cards_of(n), "slow") for n in range(3)]
        made.at_gate("slow", 2)
        runs = []
        for number in range(8):
            data = UNREADABLE * (number + 1) if number % 4 == 1 else cards_of(number)
            runs.append(made.drop(f"{number}.txt", data))
            look()
        made.drop("held.txt", cards_of(9), "held")
        made.wait(lambda: look() or "running" in states, "a running deck in the status")
        made.open_gate("slow")
        made.wait(lambda: look() or all(map(made.state, [*runs, *slow])), "all decks to be taken")
        for run in [*runs, *slow]:
            made.wait(lambda run=run: look() or made.state(run) in {"done", "returned"}, run)
        made.stop()
        look()
        assert [found for found, _ in sums] == [wanted for _, wanted in sums]
        assert states == {*STATES} - {"held"}


def test_the_table_of_the_status_says_the_same_as_its_json(served) -> None:
    served.done(served.drop("table.txt", cards_of(60)))
    served.returned(served.drop("table-back.txt", UNREADABLE + UNREADABLE))
    code, table, _ = served.say("status", served.root)
    told = served.status()
    assert code in {0, 10, 11}  # other tests hold the job, or add to a deck
    words = {"in the inbox": "in_inbox", **{each: each for each in STATES[1:]}, "total": "dropped"}
    for word, key in words.items():
        found = re.search(rf"^{word} +([0-9,]+)", table, re.MULTILINE)
        assert found, word
        assert int(found[1].replace(",", "")) == told[key], word
    assert told["dropped"] == sum(told[state] for state in STATES)
    assert "service running" in table
    assert told["service"] == "running"
    assert told["done_today"] <= told["done"]
    assert any(each["deck"] == "table-back.txt" for each in told["returned_runs"])


def test_the_status_of_a_folder_that_is_no_workspace_is_refused(served) -> None:
    code, _, err = served.say("status", served.root / "inbox")
    assert code == 78
    assert "is no workspace" in err


ON_A_WORKSPACE = {
    "status": [], "verify": [], "tidy": ["--older-than", "0"], "hold": ["first"],
    "resume": ["first"], "requeue": ["first"], "watch": ["--once"],
}  # fmt: skip


@pytest.mark.parametrize("command", ON_A_WORKSPACE)
def test_every_command_says_in_one_sentence_that_a_folder_is_no_workspace(
    command, tmp_path
) -> None:
    folders = {name: tmp_path / name for name in ("missing", "empty", "other", "run", "half")}
    for name, folder in folders.items():
        if name != "missing":
            folder.mkdir()
    (folders["other"] / "notes.txt").write_text("mine")
    (folders["run"] / "manifest.json").write_text("{}")
    (folders["run"] / "returned").mkdir()  # a folder that a workspace has too
    init_workspace(folders["half"])
    (folders["half"] / "hold").rmdir()
    wanted = {
        "missing": "does not exist; `deckwright init",
        "empty": "is empty; `deckwright init",
        "other": "is no workspace; name the folder that `deckwright init` has made",
        "run": "is a run folder, not a workspace; name the folder",
        "half": "lacks hold/; `deckwright init",
    }
    for name, folder in folders.items():
        before = sorted(tmp_path.rglob("*"))
        code, out, err = House.say(command, folder, *ON_A_WORKSPACE[command])
        assert (code, out) == (78, ""), name
        assert err.startswith(f"deckwright: {folder} {wanted[name]}"), err
        assert err.count("\n") == 1
        assert sorted(tmp_path.rglob("*")) == before


# ---- verify


@pytest.fixture(scope="module")
def ended():
    """Give a house whose service has ended, with done and returned runs and a master."""
    with house() as made:
        made.settings(made.lane())
        made.drop("faulty.txt", deck(card(1), "XX"))
        made.drop("plain.txt", cards_of(2))
        made.drop("back.txt", UNREADABLE)
        for number in range(2):
            made.drop(f"moves-{number}.txt", cards_of(number), "stock")
        made.once()
        assert made.check(ended=True).done == 4
        yield made


def differences(made: House) -> list[str]:
    return [each.place for _, found in verify(made.workspace) for each in found]


def test_nothing_differs_in_a_workspace_that_nobody_touched(ended) -> None:
    assert differences(ended) == []
    code, out, _ = ended.say("verify", ended.root, "--json")
    assert code == 0
    assert json.loads(out)["differences"] == []
    assert json.loads(out)["looked_at"] >= 5 + 2 + 1
    _, words, _ = ended.say("verify", ended.root)
    assert words == f"{json.loads(out)['looked_at']} places looked at, 0 differences\n"
    (run,) = (ended.root / "returned").iterdir()
    _, words, _ = ended.say("verify", ended.root, "--run", run.name)
    assert words == "1 place looked at, 0 differences\n"


def flipped(path: Path, where: float) -> None:
    """Change one bit of a file; of an empty one, make it a byte longer."""
    data = bytearray(path.read_bytes()) or bytearray(b"\1")
    data[min(int(len(data) * where), len(data) - 1)] ^= 1
    path.write_bytes(data)


@pytest.mark.parametrize("where", first_line([0.0, 0.5, 1.0], 0.5))
def test_one_changed_byte_is_found_in_every_file(where, ended) -> None:
    files = [
        path
        for place in ("done", "returned", "master", "config/used")
        for path in sorted((ended.root / place).rglob("*"))
        if path.is_file()
    ]
    assert len(files) > 50
    for path in files:
        before = path.read_bytes()
        flipped(path, where)
        found = differences(ended)
        path.write_bytes(before)
        place = path.relative_to(ended.root).as_posix()
        run = "/".join(place.split("/")[:2])
        assert any(each.startswith(run) for each in found), place
    assert differences(ended) == []


def test_a_file_that_is_gone_or_does_not_belong_there_is_found(ended) -> None:
    for home in [*(ended.root / "done").iterdir(), *(ended.root / "returned").iterdir()]:
        for path in sorted(path for path in home.rglob("*") if path.is_file()):
            aside = ended.root.parent / "aside"
            path.rename(aside)
            assert differences(ended), f"{path} is gone"
            path.symlink_to(aside)
            assert differences(ended), f"{path} is a link"
            path.unlink()
            aside.rename(path)
        for strange in (home / "strange", home / "out" / "strange"):
            if strange.parent.is_dir():
                strange.write_bytes(b"")
                assert differences(ended) == [strange.relative_to(ended.root).as_posix()]
                strange.unlink()
    assert differences(ended) == []


def test_what_lies_among_the_runs_and_is_none_is_found(ended) -> None:
    strange = ["done/plainfile", "done/foo/file", "work/stray", "hold/xx/deck", "returned/link"]
    for place in strange[:-1]:
        path = ended.root / place
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"")
    (ended.root / strange[-1]).symlink_to(ended.root)
    wanted = ["done/foo", "done/plainfile", "hold/xx", "returned/link", "work/stray"]
    try:
        assert differences(ended) == wanted
        assert ended.status()["foreign"] == wanted
    finally:
        for place in strange:
            path = ended.root / place
            path.unlink()
            if path.parent.name in {"foo", "xx"}:
                path.parent.rmdir()
    assert differences(ended) == []
    assert ended.status()["foreign"] == []


@pytest.mark.parametrize("run", ["zzz", "../done", "0" * 16 + "-" + "0" * 6 + "-1"])
def test_verify_refuses_a_run_that_is_not_there(run, ended) -> None:
    code, out, err = ended.say("verify", ended.root, "--run", run)
    assert (code, out) == (2, "")
    assert f"no held, done or returned run is called '{run}'" in err


def test_verify_names_what_differs_and_ends_with_one(ended) -> None:
    path = next(iter((ended.root / "done").glob("*/out/out/cards.csv")))
    before = path.read_bytes()
    path.write_bytes(before + b" ")
    run = path.parents[2].name
    try:
        code, out, _ = ended.say("verify", ended.root)
        assert code == 1
        assert f"done/{run}/out/out/cards.csv is not what the run delivered" in out
        assert ended.say("verify", ended.root, "--run", run)[0] == 1
        other = next(each.name for each in (ended.root / "done").iterdir() if each.name != run)
        assert ended.say("verify", ended.root, "--run", other)[0] == 0
    finally:
        path.write_bytes(before)


# ---- tidy


@pytest.mark.slow
def test_tidy_shows_first_and_removes_only_what_somebody_has_accepted() -> None:
    with house() as made:
        lane, office = made.lane(), made.root / "office"
        made.job("sent")
        made.settings(f'{lane}[jobs.sent.deliver]\nto = "office"\n')
        plain = made.drop("plain.txt", cards_of(1))
        changed = made.drop("changed.txt", cards_of(2))
        moves = [made.drop(f"moves-{n}.txt", cards_of(n), "stock") for n in range(2)]
        sent = made.drop("sent.txt", cards_of(3), "sent")
        back = made.drop("back.txt", UNREADABLE)
        made.once()
        assert not office.exists()
        with (made.root / "done" / changed / "deck").open("ab") as file:
            file.write(b"late")
        flipped(made.root / "done" / moves[0] / "out" / "control.html", 0.5)

        shown = ordered(made, "tidy", "--older-than", "0")
        kept = {line.split()[1] for line in shown.splitlines() if line.startswith("stays")}
        assert kept == {changed, moves[1], sent}
        assert {line.split()[2] for line in shown.splitlines() if line.startswith("may go")} == {
            plain, moves[0]
        }  # fmt: skip
        assert "is not the deck that was taken" in shown
        assert "it left the present master" in shown
        assert "its copies are not delivered yet" in shown
        assert made.state(plain) == "done"
        assert not (made.root / "tidied.csv").exists()
        assert "0 of 0 runs" in ordered(made, "tidy", "--older-than", "1")

        removing = ordered(made, "tidy", "--older-than", "0", "--accepted-by", "A. Reader")
        assert "out/control.html is not what the run delivered" in removing
        assert made.state(moves[0]) == "done"
        flipped(made.root / "done" / moves[0] / "out" / "control.html", 0.5)
        for _ in range(2):
            ordered(made, "tidy", "--older-than", "0", "--accepted-by", "A. Reader")
        assert {run.name for run in (made.root / "done").iterdir()} == {changed, moves[1], sent}
        assert [*(made.root / "tmp").iterdir()] == []
        with (made.root / "tidied.csv").open(newline="") as file:
            lines = list(csv.DictReader(file))
        assert {line["run"] for line in lines} == {plain, moves[0]}
        assert len(lines) == 2
        assert {line["accepted_by"] for line in lines} == {"A. Reader"}
        assert made.state(back) == "returned"
        ordered(made, "tidy", "--older-than", "0", "--returned", "--accepted-by", "A. Reader")
        assert made.state(back) == ""

        made.drop("plain.txt", cards_of(1))
        made.once()
        twin = run_of("plain.txt", cards_of(1), 2)
        assert made.state(twin) == "returned"
        reason = made.reasons(twin).entries[0]
        assert reason.code == "duplicate"
        assert f"{plain} was removed since" in reason.sentence
        status = made.status()
        assert status["gone"] == 3
        assert status["done"] == 3
