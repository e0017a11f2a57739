"""An end of a run that stands in the ledger and was not told is told at the next start."""

from __future__ import annotations

import json
import signal
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from deckwright.service.outward.logfiles import LogFiles
from deckwright.service.store.ledger import Ledger
from deckwright.service.system.lock import is_locked
from deckwright.service.system.places import Workspace
from deckwright.service.untold import LATEST, untold
from service.house import House, card, cards_of, deck, house
from service.kit import quick_room
from service.test_ledger import claim

NOTICE = '[[notice]]\nkind = "append-line"\noptions = { file = "heard.log", form = "json" }\n'
UNREADABLE = "ß\n".encode("utf-16")


def rewrite(made: House, keep: Callable[[dict[str, object]], bool]) -> int:
    """Keep some lines of the histories, as if the others had not been written; return how many."""
    gone = 0
    for path in (made.root / "log").glob("history-*.jsonl"):
        lines = path.read_text("utf-8").splitlines(keepends=True)
        kept = [line for line in lines if keep(json.loads(line))]
        path.write_text("".join(kept), encoding="utf-8")
        gone += len(lines) - len(kept)
    return gone


def heard(made: House) -> list[tuple[str, str]]:
    path = made.root / "heard.log"
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    return [(each["event"], each["run"]) for each in map(json.loads, lines)]


def serve_until_heard(made: House, ends: int) -> None:
    """Serve until the notices were told of so many ends: a stop does not wait long for them."""
    with made.serving():
        made.wait(lambda: len(heard(made)) >= ends, f"{ends} ends told")


@pytest.mark.slow
def test_an_end_that_the_history_lacks_is_told_once_more_to_log_and_notices() -> None:
    with house() as made:
        made.settings(NOTICE)
        done, back = made.drop("deck.txt", cards_of(7)), made.drop("back.txt", UNREADABLE)
        made.drop("other.txt", cards_of(8))
        ends = {("run_done", done): "deck_done", ("deck_returned", back): "deck_returned"}
        serve_until_heard(made, 3)
        before = {end: made.events(end[0], run=end[1]) for end in ends}
        assert rewrite(made, lambda line: (line["event"], line.get("run")) not in ends) == 2
        serve_until_heard(made, 5)
        told = [each for each in made.since_start() if each["event"] in {name for name, _ in ends}]
        assert {(each["event"], each["run"]) for each in told} == ends.keys()
        timed = {"time", "seconds", "stages"}
        for each in told:
            [once] = before[each["event"], each["run"]]
            assert {k: v for k, v in each.items() if k not in timed} == {
                k: v for k, v in once.items() if k not in timed
            }
        made.once()  # it stands in the history now
        assert not any(made.events(name) for name, _ in ends)
        for (_, run), heard_as in ends.items():
            assert heard(made).count((heard_as, run)) == 2
        assert len(heard(made)) == 5


@pytest.mark.slow
def test_an_end_that_only_the_ledger_has_forgotten_is_not_told_again() -> None:
    with house() as made:
        done, back = made.drop("deck.txt", cards_of(7)), made.drop("back.txt", UNREADABLE)
        made.once()
        assert made.events("run_done", run=done)
        with closing(sqlite3.connect(made.root / "ledger.db")) as ledger, ledger:
            # as after a power cut: what was entered without a flush has gone
            ledger.execute("UPDATE runs SET state='running', ended_at=''")
        made.once()
        told = [each for each in made.since_start() if each["event"] in TOLD]
        assert told == []
        with closing(Ledger(made.root / "ledger.db")) as again:
            assert dict(again.states()) == {done: "done", back: "returned"}


TOLD = ("run_done", "deck_returned", "deck_repaired")


@pytest.mark.slow
@pytest.mark.parametrize("event", TOLD)
def test_a_service_killed_between_ledger_and_log_tells_the_end_once_at_the_next_start(
    event: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with house() as made:
        made.job("other")
        first = made.drop("week-24.txt", deck(card(1), "XX"))
        made.once()
        second = made.drop("week-24.txt", cards_of(24))  # repairs the first
        back = made.drop("back.txt", UNREADABLE, "other")
        with monkeypatch.context() as patch:
            script = str(Path(__file__).with_name("killed_before.py"))
            patch.setattr("service.house.COMMAND", [sys.executable, script, event])
            made.start("--once", wait=False)
            assert made.ended() == -signal.SIGKILL, made.words()
        made.wait(lambda: not is_locked(made.workspace), "the end of the workers")
        run = {"run_done": second, "deck_returned": back, "deck_repaired": first}[event]
        assert not made.events(event)
        made.once()
        assert [each["run"] for each in made.events(event)] == [run]
        made.once()
        assert not any(made.events(each) for each in TOLD)
        everything = [each for each in made.log() if each["event"] in TOLD]
        ends = [("run_done", first), ("run_done", second), ("deck_returned", back),
                ("deck_repaired", first)]  # fmt: skip
        assert sorted((each["event"], each["run"]) for each in everything) == sorted(ends)
        (done,) = [each for each in everything if (each["event"], each["run"]) == ends[1]]
        assert done["follows"] == first
        (repaired,) = [each for each in everything if each["event"] == "deck_repaired"]
        assert (repaired["by"], repaired["deck"]) == (second, "week-24.txt")


@pytest.mark.slow
def test_nothing_is_told_of_runs_whose_history_was_carried_away() -> None:
    with house() as made:
        run = made.drop("deck.txt", cards_of(7))
        made.once()
        assert rewrite(made, lambda line: line.get("run") != run)
        made.once()
        assert not made.events("run_done")


def test_only_the_latest_ends_are_looked_up_and_torn_lines_are_passed_over() -> None:
    with quick_room() as room, closing(Ledger(room / "ledger.db")) as ledger:
        workspace, runs = Workspace(room), []
        files = LogFiles(workspace.log, 1 << 20, 1)
        for number in range(LATEST + 2):
            of = claim("deck", b"%d" % number, number + 1)
            runs.append(of.run)
            ledger.add(of, 0)
            day = "2031-05-06" if number % 2 else "2031-05-05"
            files.history(day, json.dumps({"event": "run_started", "run": of.run}))
            ledger.end(of.run, "done", f"2031-05-06T07:00:{number:02}")
        files.history("2031-05-07", json.dumps({"event": "run_done", "run": runs[-1]}))
        files.history("2031-05-07", json.dumps({"event": "run_done", "run": runs[-2]})[:-1])
        files.history("2031-05-07", json.dumps({"event": "delivered", "run": "x", "to": runs[-3]}))
        files.close()
        ended, repairs = untold(workspace, ledger)
        assert ([row.run for row in ended], repairs) == (runs[-2:1:-1], [])


def test_where_no_run_has_ended_nothing_is_looked_up() -> None:
    with quick_room() as room, closing(Ledger(room / "ledger.db")) as ledger:
        assert untold(Workspace(room), ledger) == ([], [])
