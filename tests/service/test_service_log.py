"""A log line is one line that no terminal obeys, and a log that cannot be written stops nobody."""

from __future__ import annotations

import io
import json
import os
import pty
import re
import subprocess
import sys
import tempfile
import threading
import tokenize
import unicodedata
from pathlib import Path

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

import deckwright.service
from deckwright.service.outward.log import LEVELS, ServiceLog, service_log
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import Workspace

NAMES = st.text(max_size=40) | st.binary(max_size=40)
SIMPLE = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | NAMES
    | st.builds(Path, st.text("abc/\x1b\n", min_size=1))
)
VALUES = SIMPLE | st.lists(SIMPLE, max_size=4) | st.dictionaries(st.text(max_size=5), SIMPLE)
KEYS = st.sampled_from(["run", "deck", "why", "time", "level", "odd \x1b key"])


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


def log_into(stream, level: str = "debug") -> ServiceLog:
    return ServiceLog(level, Clock(), stream)


def obeyed(text: str) -> list[str]:
    """Return the characters that end a line, move the cursor or turn the direction of text."""
    return [c for c in text if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}]


@settings(deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_whatever_the_facts_hold_a_json_line_is_one_line_of_plain_json(facts) -> None:
    stream = io.StringIO()
    log_into(stream)("deck_taken", **facts)
    line = stream.getvalue()
    assert line.endswith("\n")
    assert line.isascii()
    assert obeyed(line[:-1]) == []

    def refuse(word: str) -> None:
        raise AssertionError(word)

    read = json.loads(line, parse_constant=refuse)
    assert list(read)[:3] == ["time", "level", "event"]
    assert (read["level"], read["event"]) == ("info", "deck_taken")
    assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}\+00:00$", read["time"])


@settings(deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_whatever_the_facts_hold_a_terminal_finds_nothing_to_obey(facts) -> None:
    stream = Terminal()
    log_into(stream)("deck_taken", **facts)
    line = stream.getvalue()
    assert line.endswith("\n")
    assert obeyed(line[:-1]) == []


@pytest.mark.parametrize("make", [io.StringIO, Terminal])
@pytest.mark.parametrize(
    "name", ["\x1b]0;title\x07", "a\rb", "a\nb", "a\u2028b", "\u202eabc", b"\xff\xfe", "\x9b31m"]
)
def test_a_name_that_would_be_obeyed_is_shown_escaped(make, name) -> None:
    stream = make()
    log_into(stream)("stray_seen", place=name)
    shown = stream.getvalue()
    assert obeyed(shown[:-1]) == []
    assert "\\" in shown


def test_what_is_escaped_already_is_not_escaped_again() -> None:
    for stream in (io.StringIO(), Terminal()):
        log = log_into(stream)
        log("deck_taken", deck="a\x1bb")
        log("deck_taken", deck="a\\x1bb")
        first, second = stream.getvalue().splitlines()
        assert first.partition("deck_taken")[2] == second.partition("deck_taken")[2]


def test_of_an_object_only_its_type_is_logged() -> None:
    stream = io.StringIO()
    log_into(stream)("run_failed", error=ValueError("CANARY"), more=[{"x": "CANARY"}, object()])
    assert "CANARY" not in stream.getvalue()
    assert json.loads(stream.getvalue())["error"] == "ValueError"


def test_long_values_are_cut() -> None:
    stream = io.StringIO()
    log_into(stream)("run_failed", why="x" * 1_000_000, many=list(range(1_000_000)), big=10**5000)
    assert len(stream.getvalue()) < 5000


def test_a_terminal_gets_plain_lines_and_a_file_json(tmp_path) -> None:
    stream = Terminal()
    log_into(stream)("run_done", job="first", deck="week 23.txt", out=12)
    line = stream.getvalue().rstrip("\n")
    said = 'run_done  job=first  deck="week 23.txt"  out=12'
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ info    " + re.escape(said), line)
    with (tmp_path / "log").open("w", encoding="utf-8") as file:
        log_into(file)("run_done", job="first")
    assert json.loads((tmp_path / "log").read_text("utf-8"))["job"] == "first"


def test_a_real_terminal_is_known_as_one() -> None:
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "w", encoding="utf-8") as stream:
        log_into(stream)("run_done", job="first")
    shown = os.read(ours, 4096).decode()
    os.close(ours)
    assert shown.rstrip().endswith("run_done  job=first")


# ---- levels


def test_events_below_the_level_are_not_shown_and_the_level_can_be_changed() -> None:
    stream = io.StringIO()
    log = log_into(stream, "warning")
    for event in ("run_started", "run_done", "no_room", "job_held"):
        log(event)
    log.set_level("debug")
    log("run_started")
    lines = map(json.loads, stream.getvalue().splitlines())
    shown = [(line["level"], line["event"]) for line in lines]
    assert shown == [("warning", "no_room"), ("error", "job_held"), ("debug", "run_started")]


def test_a_service_that_is_well_again_is_no_warning() -> None:
    stream = io.StringIO()
    log = log_into(stream)
    log("health", reasons=["x"])
    log("health", reasons=[])
    assert [json.loads(line)["level"] for line in stream.getvalue().splitlines()] == [
        "warning",
        "info",
    ]


@pytest.mark.parametrize(
    ("text", "shown"), [("", 1), ('log_level = "error"', 0), ('log_level = "nonsense"', 1)]
)
def test_the_level_comes_from_the_service_file_if_it_can_be_read(text, shown, tmp_path) -> None:
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "service.toml").write_text(text, encoding="utf-8")
    stream = io.StringIO()
    service_log(Workspace(tmp_path), stream=stream)("run_done")
    assert len(stream.getvalue().splitlines()) == shown


def strings_of(path: Path) -> set[str]:
    with path.open("rb") as file:
        tokens = [token.string for token in tokenize.tokenize(file.readline)]
    return {text.strip("\"'") for text in tokens if text[:1] in "\"'"}


def test_every_event_with_a_weight_of_its_own_is_told_somewhere() -> None:
    folder = Path(deckwright.service.__file__).parent
    other = [path for path in folder.rglob("*.py") if path.name != "log.py"]
    told = set().union(*map(strings_of, other)) | {"log_lines_lost"}
    assert set(LEVELS) <= told


def test_the_log_leaves_the_settings_of_others_alone() -> None:
    before = structlog.get_config()
    log_into(io.StringIO())("run_done")
    assert structlog.get_config() == before
    assert not structlog.is_configured()


# ---- a log that cannot be written


def pipe_log() -> tuple[int, io.TextIOWrapper, ServiceLog]:
    reading, writing = os.pipe()
    stream = os.fdopen(writing, "w", encoding="utf-8")
    return reading, stream, log_into(stream)


def events(lines: bytes) -> list[tuple[str, object]]:
    """Return the names of events, with the count where lines were lost."""
    return [(line["event"], line.get("count")) for line in map(json.loads, lines.splitlines())]


def test_a_reader_that_has_gone_stops_nobody_and_the_next_reader_learns_what_it_missed(
    tmp_path,
) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    gone = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    with path.open("w", encoding="utf-8") as stream:
        log = log_into(stream)
        os.close(gone)
        for _ in range(3):
            log("run_done", run="x" * 100)
        reading = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        log("run_failed")
    assert events(os.read(reading, 65_536)) == [("log_lines_lost", 3), ("run_failed", None)]
    os.close(reading)


def test_a_full_disk_stops_nobody_and_what_it_did_not_take_is_counted(tmp_path) -> None:
    path = tmp_path / "log"
    with Path("/dev/full").open("w", encoding="utf-8") as stream, path.open("w") as roomy:
        log = log_into(stream)
        for _ in range(1000):
            log("run_done", run="x" * 100)
        os.dup2(roomy.fileno(), stream.fileno())
        log("run_failed")
    assert events(path.read_bytes()) == [("log_lines_lost", 1000), ("run_failed", None)]


def test_without_an_output_nothing_is_written_anywhere(capfd) -> None:
    log_into(None)("run_done")
    assert capfd.readouterr() == ("", "")


def test_a_closed_output_stops_nobody_and_what_takes_its_number_stays_as_it_is(
    tmp_path, capfd
) -> None:
    stream = (tmp_path / "log").open("w", encoding="utf-8")
    number = stream.fileno()
    stream.close()
    with (tmp_path / "other").open("wb") as other:
        assert other.fileno() == number
        log_into(stream)("run_done")
    assert (tmp_path / "other").read_bytes() == (tmp_path / "log").read_bytes() == b""
    assert capfd.readouterr() == ("", "")


def test_a_reader_that_sleeps_is_not_waited_for_and_the_lines_it_missed_are_counted() -> None:
    reading, stream, log = pipe_log()
    # more than a pipe takes; a log that waits would stop here for good, and the test with it
    for number in range(2000):
        log("run_done", number=number, run="x" * 200)
    seen = b""

    def read() -> None:
        nonlocal seen
        while block := os.read(reading, 65_536):
            seen += block

    reader = threading.Thread(target=read)
    reader.start()
    tried = 0
    while b"the last" not in seen:
        log("run_done", run="the last")
        tried += 1
    stream.close()
    reader.join()
    os.close(reading)
    lines = [json.loads(line) for line in seen.splitlines() if line]
    numbers = [line["number"] for line in lines if "number" in line]
    lost = [line["count"] for line in lines if line["event"] == "log_lines_lost"]
    assert numbers == list(range(len(numbers)))
    assert 0 < len(numbers) < 2000
    assert lost
    last = sum(line.get("run") == "the last" for line in lines)
    assert lines[-1]["run"] == "the last"
    assert len(numbers) + sum(lost) + last == 2000 + tried


def test_a_long_line_goes_through_a_pipe_in_pieces_and_whole() -> None:
    reading, stream, log = pipe_log()
    log("run_done", **{f"key_{number}": "x" * 1900 for number in range(20)})
    stream.close()
    seen = b""
    while block := os.read(reading, 65_536):
        seen += block
    os.close(reading)
    assert len(json.loads(seen)) == 23


def test_a_line_of_which_only_a_piece_went_out_stays_apart_from_the_next() -> None:
    reading, stream, log = pipe_log()
    long = {f"key_{number}": "x" * 1900 for number in range(10)}
    for _ in range(10):  # 200 kB, of which a pipe takes the first 64 KiB
        log("run_done", **long)
    os.set_blocking(reading, False)
    seen = b""
    for _ in range(3):
        try:
            while block := os.read(reading, 65_536):
                seen += block
        except BlockingIOError:
            log("run_failed")
    stream.close()
    while block := os.read(reading, 65_536):
        seen += block
    os.close(reading)
    whole, torn = [], 0
    for line in seen.splitlines():
        try:
            whole.append(json.loads(line)["event"])
        except ValueError:
            torn += 1
    assert torn == 1
    assert whole[-4:] == ["log_lines_lost", "run_failed", "run_failed", "run_failed"]


def test_a_service_without_any_output_does_not_write_into_what_takes_its_number() -> None:
    script = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from deckwright.service.outward.log import service_log\n"
        "from deckwright.service.system.places import Workspace\n"
        "held = os.open(sys.argv[1], os.O_RDWR)\n"
        "assert held == 1\n"
        "service_log(Workspace(Path('/nowhere')))('run_done')\n"
    )
    with tempfile.NamedTemporaryFile() as file:
        done = subprocess.run(  # noqa: S603 # our own code
            ["/bin/sh", "-c", 'exec "$0" -c "$1" "$2" >&-', sys.executable, script, file.name],
            check=False, capture_output=True, timeout=240,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, b"")
        assert Path(file.name).read_bytes() == b""
