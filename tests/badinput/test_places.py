"""Places that cannot be written, and runs that are stopped: nothing is left behind."""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from sets import first_line

CARDS = 400_000


def chain_of(shop, folder: Path) -> Path:
    return shop.job(folder, shop.chain({"kind": "sort", "keys": ["note", "item"]}))


def big_deck(path: Path, cards: int) -> Path:
    """Write invented receipts with notes at random."""
    dice = np.random.default_rng(20_260_101)
    matrix = np.full((cards, 81), 32, np.uint8)
    matrix[:, :11] = dice.integers(48, 58, (cards, 11))
    matrix[:, 11:30] = dice.integers(65, 91, (cards, 19))
    matrix[:, 80] = 10
    path.write_bytes(matrix.tobytes())
    return path


def one_sentence(said) -> str:
    """Return the only message of a command that stopped."""
    told = [line for line in said.err.splitlines() if line.startswith("deckwright: ")]
    assert len(told) == 1, said.err
    assert "Traceback" not in said.err
    assert not told[0].endswith(".")
    return told[0]


def test_an_existing_run_folder_is_never_touched(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    out = tmp_path / "run"
    out.mkdir()
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    said = shop.say("run", job, deck, "--out", out)
    assert said.code == 73
    assert one_sentence(said) == (
        f"deckwright: {out}: exists already; name another folder or move it away"
    )
    assert shop.files(out) == {"mine.txt": b"mine"}
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize("kind", ["file", "empty folder", "dangling link"])
def test_whatever_stands_at_the_run_folder_stops_the_run(kind, shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    out = tmp_path / "run"
    if kind == "file":
        out.touch()
    elif kind == "empty folder":
        out.mkdir()
    else:
        out.symlink_to(tmp_path / "nowhere")
    said = shop.say("run", job, deck, "--out", out)
    assert said.code == 73
    assert "exists already" in one_sentence(said)
    assert not (tmp_path / "nowhere").exists()


def test_a_run_folder_that_comes_into_being_meanwhile_is_never_replaced(shop, tmp_path) -> None:
    (tmp_path / "rival.py").write_text(
        "from pathlib import Path\n"
        "from deckwright import StageConfig, TrayStage, hookimpl\n\n"
        "class RivalConfig(StageConfig):\n    path: str\n\n"
        "class RivalStage(TrayStage[RivalConfig]):\n    kind = 'rival'\n\n"
        "    def run(self, tray, book):\n"
        "        Path(self.config.path).mkdir()\n"
        "        (Path(self.config.path) / 'mine.txt').write_text('mine')\n"
        "        return tray\n\n"
        "@hookimpl\ndef deckwright_stages():\n    return [RivalStage]\n",
        encoding="utf-8",
    )
    stages = shop.chain({"kind": "rival", "path": str(tmp_path / "run")})
    job = shop.job(tmp_path, stages, plugins=["rival.py"])
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    said = shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)
    assert said.code == 73
    assert "exists already" in one_sentence(said)
    assert shop.files(tmp_path / "run") == {"mine.txt": b"mine"}
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize("below", ["d.txt", "nowhere"])
def test_a_run_folder_that_cannot_be_made_is_named(below, shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    before = deck.read_bytes()
    said = shop.say("run", job, deck, "--out", tmp_path / below / "run")
    assert said.code == 73
    assert f"{tmp_path / below / 'run'}: cannot be made: " in one_sentence(said)
    assert deck.read_bytes() == before


def test_a_run_folder_named_as_a_deck_never_replaces_it(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    said = shop.say("run", job, deck, "--out", deck)
    assert said.code == 73
    assert deck.read_bytes() == shop.lines([shop.receipt(1)])


@pytest.fixture
def small_disk(tmp_path) -> Path:
    """Mount a file system of one mebibyte, where this user may."""
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "deckwright-test", str(disk)]
    try:
        done = subprocess.run(command, capture_output=True, check=False)  # noqa: S603 # fixed
    except OSError:
        pytest.skip("there is no mount command")
    if done.returncode:
        pytest.skip("this user may not mount")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)  # noqa: S603, S607


@pytest.mark.parametrize("workers", [1, 2])
def test_a_full_disk_stops_the_run_and_leaves_nothing(workers, small_disk, shop, tmp_path) -> None:
    job = chain_of(shop, tmp_path)
    deck = big_deck(tmp_path / "d.txt", 30_000)
    before = shop.sums(tmp_path)
    said = shop.call("run", job, deck, "--out", small_disk / "run", "--workers", workers)
    assert said.code == 73, said.err
    message = one_sentence(said)
    assert "no space left on device" in message
    assert "the deck is untouched" in message
    assert list(small_disk.iterdir()) == []
    assert shop.sums(tmp_path) == before


@pytest.mark.usefixtures("unmeasured")
def test_a_limit_on_file_size_stops_the_run_and_leaves_nothing(shop, tmp_path) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)

    job = chain_of(shop, tmp_path)
    deck = big_deck(tmp_path / "d.txt", 10_000)
    before = shop.sums(tmp_path)
    said = shop.call("run", job, deck, "--out", tmp_path / "run", "--workers", 1, preexec_fn=limit)
    assert said.code == 73, said.err
    assert "file too large" in one_sentence(said)
    assert shop.sums(tmp_path) == before
    assert not list(tmp_path.glob(".*"))


def family(pid: int) -> set[int]:
    """Return a process and all below it."""
    parents = {}
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = status.read_text().rpartition(")")[2].split()
            if fields[0] != "Z":
                parents[int(status.parent.name)] = int(fields[1])
    found = {pid}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_for(what, seconds: float) -> bool:
    """Return whether something became true within a bound."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if what():
            return True
        time.sleep(0.01)
    return what()


@pytest.fixture(scope="module")
def large(tmp_path_factory) -> Path:
    return big_deck(tmp_path_factory.mktemp("large") / "large.txt", CARDS)


@pytest.mark.parametrize(
    "moment", first_line(["at once", "first pass", "second pass"], "second pass")
)
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_ends_the_run_soon_and_leaves_nothing(
    number, code, moment, large, shop, tmp_path
) -> None:
    job = chain_of(shop, tmp_path)
    before = sorted(path.name for path in tmp_path.iterdir())
    command = [*shop.command, "run", str(job), str(large), "--out", str(tmp_path / "run")]
    errors = tmp_path.parent / f"{tmp_path.name}.errors"
    with errors.open("wb") as stream, subprocess.Popen(  # noqa: S603 # our own command
        [*command, "--workers", "2"], stderr=stream, stdout=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        started = {
            "at once": lambda: list(tmp_path.glob(".*")),
            "first pass": lambda: list(tmp_path.glob(".*/spill/p1-*.cards")),
            "second pass": lambda: list(tmp_path.glob(".*/parts/p2-*")),
        }[moment]
        assert wait_for(started, 60), errors.read_text()
        members = family(process.pid)
        process.send_signal(number)
        soon = wait_for(lambda: process.poll() is not None, 2)
        assert process.wait(60) == code, errors.read_text()
    said = errors.read_text(encoding="utf-8")
    told = [line for line in said.splitlines() if line.startswith("deckwright: ")]
    assert told == [
        "deckwright: stopped by a signal; nothing was delivered, the deck is untouched"
    ], said
    assert "Traceback" not in said
    assert wait_for(lambda: not any(map(alive, members)), 2), "a process is left"
    assert sorted(path.name for path in tmp_path.iterdir()) == before
    assert soon, "it should end within two seconds"
    assert large.stat().st_size == CARDS * 81


def test_a_worker_that_is_killed_ends_the_run_with_a_sentence(large, shop, tmp_path) -> None:
    job = chain_of(shop, tmp_path)
    before = sorted(path.name for path in tmp_path.iterdir())
    command = [*shop.command, "run", str(job), str(large), "--out", str(tmp_path / "run")]
    errors = tmp_path.parent / f"{tmp_path.name}.errors"
    with errors.open("wb") as stream, subprocess.Popen(  # noqa: S603 # our own command
        [*command, "--workers", "2"], stderr=stream, stdout=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        assert wait_for(lambda: list(tmp_path.glob(".*/spill/p1-*.cards")), 60)
        workers = [pid for pid in family(process.pid) - {process.pid} if is_worker(pid)]
        assert workers
        os.kill(workers[0], signal.SIGKILL)
        assert process.wait(60) == 70, errors.read_text()
    said = errors.read_text(encoding="utf-8")
    assert "a worker process ended by itself (exit code -9)" in said
    assert "Traceback" not in said
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def is_worker(pid: int) -> bool:
    try:
        command = Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False
    return Path(sys.executable).name.encode()[:6] in command and b"resource_tracker" not in command


def test_a_reader_that_goes_away_is_told_by_the_exit_code_alone(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "d.txt", ["0000A00100{"] * 3000 + [shop.receipt(1)] * 3000)
    run = shop.run(job, deck).folder
    with subprocess.Popen(  # noqa: S603 # our own command
        [*shop.command, "journal", str(run)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        errors = process.stderr.read()
        assert process.wait(60) == 141, errors  # as a shell tells SIGPIPE
    assert errors == b""
