"""What happened is kept with times, one key follows a deck, and people can read all of it."""

from __future__ import annotations

import json
import re
import signal
import subprocess

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from deckwright.service.operate.reading import LogReader, Wanted
from deckwright.service.outward.logfiles import LOG, LogFiles
from deckwright.service.outward.telling import _WORDS, words_of
from deckwright.service.system.places import Workspace
from service.house import COMMAND, card, cards_of, deck, house, run_of
from service.kit import quick_room

UNREADABLE = "ß\n".encode("utf-16")


@pytest.fixture(scope="module")
def ended():
    """Give a house whose service has ended: a deck with a bad card, its repair, a returned one."""
    with house() as made:
        (made.root / "office").mkdir()
        made.settings('[jobs.cards.deliver]\nto = "office"\n')
        made.drop("week-24.txt", deck(card(1), "XX"))
        made.drop("back.txt", UNREADABLE)
        made.once()
        made.drop("week-24.txt", cards_of(24))
        made.once()
        yield made


def told(made, *arguments) -> str:
    code, out, err = made.say("log", made.root, *arguments)
    assert (code, err) == (0, "")
    return out


def history(made, *arguments) -> list[dict]:
    return [json.loads(line) for line in told(made, *arguments, "--json").splitlines()]


def test_one_key_follows_a_deck_from_drop_to_delivery_and_repair(ended) -> None:
    run = run_of("week-24.txt", deck(card(1), "XX"))
    again = run_of("week-24.txt", cards_of(24))
    lines = [each for each in history(ended, "--level", "debug") if each.get("run") == run]
    assert [each["event"] for each in lines] == [
        "deck_taken", "run_started", "run_done", "delivered", "deck_repaired",
    ]  # fmt: skip
    assert lines[-1]["by"] == again
    assert lines[2]["stages"]
    assert sum(lines[2]["stages"].values()) <= lines[2]["seconds"]
    assert lines[0]["dropped_at"] <= lines[0]["taken_at"] <= lines[0]["time"]


def test_every_line_about_a_run_begins_with_run_job_and_deck(ended) -> None:
    for each in [*ended.log(), *history(ended, "--level", "debug")]:
        if each.get("run"):
            assert list(each)[3:6] == ["run", "job", "deck"], each
            assert (each["job"], each["deck"] != "") == ("cards", True)


def test_the_log_in_the_workspace_says_what_the_standard_output_says(ended) -> None:
    lines = (ended.root / "log" / LOG).read_text("utf-8").splitlines()
    assert [json.loads(line) for line in lines] == ended.log()


def test_people_read_the_history_of_a_deck_and_the_log_of_its_run(ended) -> None:
    again = run_of("week-24.txt", cards_of(24))
    out = told(ended, again[:9])
    assert re.search(r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d  cards  week-24.txt  taken: dropped ", out)
    assert "done in " in out
    assert "; repairs " in out
    assert f"the run itself, done/{again}/out:" in out
    assert "1 decode  finished:" in out
    assert "met master" not in out
    by_run = ended.say("log", ended.root / "done" / again)[1]
    assert by_run
    assert by_run in out


def test_filters_narrow_what_is_told(ended) -> None:
    everything = history(ended, "--level", "debug")
    back = history(ended, "--state", "returned", "--level", "debug")
    assert {each["deck"] for each in back} == {"back.txt"}
    assert history(ended, "--deck", "back.txt", "--level", "debug") == back
    assert {each["level"] for each in history(ended, "--level", "warning")} == {"warning"}
    assert history(ended, "--job", "nobody") == []
    assert history(ended, "--state", "held") == []
    days = {each["time"][:10] for each in everything}
    of_days = [
        each for day in sorted(days) for each in history(ended, "--day", day, "--level", "debug")
    ]
    assert of_days == everything
    code, _, err = ended.say("log", ended.root, "nosuch")
    assert (code, "no run, deck or job 'nosuch'" in err) == (1, True)


def test_the_events_of_one_card_are_read_together(ended) -> None:
    run = ended.root / "done" / run_of("week-24.txt", deck(card(1), "XX")) / "out"
    code, out, _ = ended.say("log", run, "--card", "2", "--json")
    events = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert {each["card"] for each in events} == {2}
    assert "card_returned" in {each["event"] for each in events}
    for each in events:
        assert list(each)[:7] == [
            "event", "level", "stage", "kind", "deck", "card_in_deck", "card",
        ]  # fmt: skip
        assert (each["deck"], each["card_in_deck"]) == ("week-24.txt", 2)


@pytest.mark.slow
def test_a_follower_sees_what_happens_after_it_began() -> None:
    with house() as made:
        made.once()
        process = subprocess.Popen(  # noqa: S603 # our own command
            [*COMMAND, "log", str(made.root), "--follow"], stdout=subprocess.PIPE, text=True
        )
        try:
            assert "the service is ready" in "".join(process.stdout.readline() for _ in range(2))
            made.drop("fresh.txt", cards_of(3))
            made.once()
            for line in process.stdout:
                if "fresh.txt" in line and "done in" in line:
                    break
        finally:
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 130
            process.stdout.close()


@given(st.lists(st.integers(1, 400), max_size=60), st.integers(1, 5), st.integers(200, 2000))
@example([182, 182], 1, 200)
def test_a_log_file_is_put_aside_when_it_is_long_and_so_many_are_kept(sizes, kept, size) -> None:
    with quick_room() as room:
        files = LogFiles(room / "log", size, kept)
        lines = [json.dumps({"n": number, "x": "x" * many}) for number, many in enumerate(sizes)]
        for line in lines:
            files.log(line)
        files.close()
        names = [f"service.{number}.jsonl" for number in range(kept, 0, -1)] + [LOG]
        paths = [path for name in names if (path := room / "log" / name).exists()]
        there = "".join(path.read_text() for path in paths).splitlines()
        assert there == lines[len(lines) - len(there) :]
        assert all(path.stat().st_size < size + 500 for path in paths)
        assert sorted(room.glob("log/*")) == sorted(paths)
        # as the file counts: with the end of each line
        kept_bytes, all_bytes = (sum(len(each) + 1 for each in some) for some in (there, lines))
        assert kept_bytes >= min(all_bytes, size)
        assert files.lost == 0


def test_a_spoilt_line_is_passed_over_and_a_moved_file_is_begun_anew(tmp_path) -> None:
    files = LogFiles(tmp_path / "log", 10_000, 2)
    files.history("2031-05-06", '{"run": "r", "time": "1", "event": "deck_taken"}')
    path = tmp_path / "log" / "history-2031-05-06.jsonl"
    with path.open("ab") as file:
        file.write(b"\0\0\0\n[1]\n{\n")
    path.rename(path.with_name("history-2031-05-05.jsonl"))
    files.history("2031-05-06", '{"run": "r", "time": "2", "event": "run_done"}')
    files.close()
    reader = LogReader(Workspace(tmp_path), Wanted())
    assert [each["time"] for each in reader.read()] == ["1", "2"]
    assert reader.read() == []


def test_a_log_that_cannot_be_written_counts_what_it_lost(tmp_path) -> None:
    (tmp_path / "log").write_bytes(b"in the way")
    files = LogFiles(tmp_path / "log", 10_000, 2)
    files.log("{}")
    files.history("2031-05-06", "{}")
    assert files.lost == 2
    (tmp_path / "log").unlink()
    files.log("{}")
    assert (tmp_path / "log" / LOG).read_text() == "{}\n"
    files.close()


NAMES = st.text(max_size=5)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=4,
)


@given(
    st.sampled_from(sorted(_WORDS)) | st.text(max_size=9),
    st.dictionaries(st.text(max_size=9), VALUES),
)
def test_any_event_is_told_on_one_printable_line(name, facts) -> None:
    said = words_of({**facts, "event": name})
    assert said.isprintable()
