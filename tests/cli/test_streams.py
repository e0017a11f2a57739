"""How a command ends does not depend on who reads what it says."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from sets import first_line

COMMAND = [sys.executable, "-c", "from deckwright.cli.start import main; main()"]
CARDS = [f"{number:05}00100{{" for number in range(1, 40)] + ["0X04100100{"]


@pytest.fixture(scope="module")
def place(tmp_path_factory, shop):
    """Return a folder with a job, a deck and a finished run of it."""
    folder = tmp_path_factory.mktemp("streams")
    shop.job(folder, shop.chain())
    shop.deck(folder / "cards.txt", CARDS)
    assert (
        shop.say("run", folder / "job.toml", folder / "cards.txt", "--out", folder / "run").code
        == 0
    )
    return folder


def gone() -> int:
    """Return the writing end of a pipe that nobody reads any more."""
    reading, writing = os.pipe()
    os.close(reading)
    return writing


def unread(place, arguments, **streams):
    """Run a command whose named streams nobody reads; return its code and what the others hold."""
    ends = {name: gone() for name in streams}
    try:
        done = subprocess.run(  # noqa: S603 # our own command
            [*COMMAND, *arguments], cwd=place, timeout=120, check=False, text=True,
            stdin=subprocess.DEVNULL,
            stdout=ends.get("stdout", subprocess.PIPE), stderr=ends.get("stderr", subprocess.PIPE),
        )  # fmt: skip
    finally:
        for end in ends.values():
            os.close(end)
    return done


MAKES = {
    "run": ["run", "job.toml", "cards.txt", "--out", "OUT"],
    "examine": ["examine", "cards.txt", "--json", "OUT"],
    "draw": ["draw", "cards.txt", "1", "--medium", '{ kind = "text" }', "--out", "OUT/card.svg"],
    "simulate": ["simulate", "--cards", "2", "--ppi", "100", "--out", "OUT"],
}


@pytest.mark.parametrize(
    ("command", "streams"),
    [
        ("run", {"stdout": 1}),
        ("run", {"stderr": 1}),
        *((command, {"stdout": 1, "stderr": 1}) for command in MAKES),
    ],
)
def test_what_a_command_makes_is_there_though_nobody_listens(command, streams, place, shop):
    name = f"{command}-{'-'.join(streams)}"
    (place / "whole" if command != "draw" else place / name).mkdir(exist_ok=True)
    arguments = [part.replace("OUT", name) for part in MAKES[command]]
    done = unread(place, arguments, **streams)
    assert done.returncode == 0
    assert "Traceback" not in (done.stderr or "")
    made = place / name
    assert (made.is_dir() and any(made.iterdir())) or made.stat().st_size
    if command == "run":
        assert shop.sums(made) == shop.sums(place / "run")


def test_a_fault_keeps_its_exit_code_though_nobody_listens(place):
    run = ["run", "job.toml", "none.txt", "--out", "no"]
    assert unread(place, run, stdout=1).returncode == 4
    assert unread(place, ["check", "none.toml"], stderr=1).returncode == 2
    assert not (place / "no").exists()


def test_the_journal_may_end_when_its_reader_has_seen_enough(place):
    done = unread(place, ["journal", "run"], stdout=1)
    assert done.returncode == 141
    assert done.stderr == ""
    # what is told on the error output is no part of the journal
    done = unread(place, ["journal", "run"], stderr=1)
    assert done.returncode == 0
    assert all(json.loads(line) for line in done.stdout.splitlines())


def test_a_full_disk_behind_the_output_is_told(place):
    with open("/dev/full", "w") as full:  # noqa: PTH123 # a device
        for arguments, code in ((["journal", "run"], 73), (["check", "job.toml"], 0)):
            done = subprocess.run(  # noqa: S603 # our own command
                [*COMMAND, *arguments], cwd=place, timeout=60, check=False, text=True,
                stdout=full, stderr=subprocess.PIPE,
            )  # fmt: skip
            assert done.returncode == code
            assert done.stderr.startswith("deckwright: ")
            assert done.stderr.count("\n") == 1
            assert "no space left" in done.stderr


@pytest.mark.parametrize("closed", [">&-", "<&- >&- 2>&-"])
def test_closed_streams_are_never_taken_for_files(closed, place, shop):
    out = place / f"closed-{closed.count('&')}-{closed[0]}{closed[1]}".replace(">", "o").replace(
        "<", "i"
    )
    shell = f'exec "$0" -c "from deckwright.cli.start import main; main()" "$@" {closed}'
    done = subprocess.run(  # noqa: S603 # our own command
        ["/bin/sh", "-c", shell, sys.executable, "run", "job.toml", "cards.txt", "--out", str(out)],
        cwd=place, timeout=120, check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    assert shop.sums(out) == shop.sums(place / "run")


HOSTILE = {
    "PYTHONWARNINGS": "error", "COLUMNS": "1", "LINES": "0", "TERM": "dumb", "NO_COLOR": "1",
    "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0",
}  # fmt: skip


HARMLESS = [
    "run --help", "guide job", "stages", "stages merge", "examine cards.txt", "check job.toml",
    "draw run 1 --deck cards.txt", "trace run 1", "journal run --card 40",
]  # fmt: skip

EACH_IN_A_FORK = """
import os, sys
from deckwright.cli import start
start._keep_warnings_apart()
import numpy, polars, pydantic, rich.console, deckwright.cli.main
for number, arguments in enumerate(sys.argv[2:]):
    child = os.fork()
    if child:
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        print(code, file=open(f"{sys.argv[1]}/{number}.code", "w"))
        continue
    for stream, name in ((1, "out"), (2, "err")):
        made = os.open(f"{sys.argv[1]}/{number}.{name}", os.O_CREAT | os.O_WRONLY)
        os.dup2(made, stream)
    sys.argv = ["deckwright", *arguments.split()]
    start.main()
    break
"""
"""Gives each command in a process of its own; what all of them load is loaded once."""


@pytest.fixture(scope="module")
def said(place, tmp_path_factory):
    """Return the folder of what each command said in hostile surroundings."""
    folder = tmp_path_factory.mktemp("said")
    command = [sys.executable, "-c", EACH_IN_A_FORK, str(folder), *HARMLESS]
    subprocess.run(  # noqa: S603 # our own command
        command, cwd=place, check=True, timeout=120, env={**os.environ, **HOSTILE}
    )
    return folder


@pytest.mark.parametrize("number", range(len(HARMLESS)), ids=HARMLESS)
def test_no_surroundings_bring_a_traceback(number, said):
    out, err, code = (
        said.joinpath(f"{number}.{kind}").read_text("utf-8") for kind in ("out", "err", "code")
    )
    assert int(code) == 0, err
    assert out
    assert out.isascii()
    assert "Traceback" not in err
    assert "deckwright: " not in err


@pytest.mark.parametrize(
    ("command", "share"),
    first_line(
        [("run", 0.3), ("run", 0.6), ("run", 0.9), ("examine", 0.8), ("guide", 0.5)],
        ("run", 0.6),
    ),
)
def test_ctrl_c_ends_a_command_in_a_sentence(command, share, place, shop):
    arguments = {
        "run": ["run", "--out", f"stopped-{share}", "job.toml", "cards.txt"],
        "examine": ["examine", "cards.txt"], "guide": ["guide", "service"],
    }[command]  # fmt: skip
    start = time.monotonic()
    assert shop.call(*arguments[:-1], "nowhere", cwd=place).code
    usual = time.monotonic() - start
    process = subprocess.Popen(  # noqa: S603 # our own command
        [*COMMAND, *arguments], cwd=place, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    time.sleep(0.1 + share * usual)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    if process.returncode == -signal.SIGINT:  # the interpreter itself had not begun yet
        assert "deckwright" not in said
    else:
        assert process.returncode in {0, 130}
        assert "Traceback" not in said
