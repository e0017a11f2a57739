"""When a file is judged to be a deck, and how it is opened."""

from __future__ import annotations

import dataclasses
import errno
import fcntl
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.jobs.service import LimitsSpec, ServiceSpec
from deckwright.service.inbox.settling import (
    LINKED_S,
    Found,
    NotSettledError,
    Route,
    Rules,
    Stamp,
    StrayError,
    open_deck,
)
from deckwright.service.system import lease
from deckwright.service.system.lease import written_to

SPEC = ServiceSpec()
RULES = Rules.of(SPEC)


def stamp(size: int, links: int = 1) -> Stamp:
    return Stamp(1, 1, size, 0, 0, links)


def found(path: Path) -> Found:
    return Found(path.parent.name, os.fsencode(path.name), path, Stamp.of(path.lstat()), None)


def descriptors() -> set[str]:
    return set(os.listdir("/proc/self/fd"))  # noqa: PTH208 # names are enough


def bytes_of(descriptor: int) -> bytes:
    """Read what is open, and close it."""
    with os.fdopen(descriptor, "rb") as file:
        return file.read()


@pytest.fixture
def deck(tmp_path: Path) -> Path:
    path = tmp_path / "box" / "deck"
    path.parent.mkdir()
    path.write_bytes(b"X" * 800)
    return path


# ---- judging


@given(st.integers(1, 4 * 2**30), st.integers(1, 4096))
def test_a_deck_is_whole_exactly_when_it_is_a_number_of_whole_cards(size, card):
    verdict = RULES.judge(stamp(size), card)
    if size % card == 0:
        assert (verdict.wait_s, verdict.code) == (SPEC.settle_s, "")
        return
    number, there = size // card + 1, size % card
    assert verdict.code == "ends-inside-card"
    assert verdict.sentence == f"ends inside card {number}: {there} of {card} bytes are there"
    assert (number - 1) * card + there == size
    assert verdict.wait_s == SPEC.stall_s


@given(st.integers(0, 2**40), st.integers(1, 3), st.none() | st.integers(1, 200), st.booleans())
def test_what_is_sound_at_a_glance_is_what_may_be_taken(size, links, card, allow):
    rules = Rules(2.0, 900.0, 2**32, allow)
    status = os.stat_result((0o100644, 1, 1, links, 0, 0, size, 0, 0, 0))
    assert rules.sound(status, card) == (not rules.judge(stamp(size, links), card).code)


@pytest.mark.parametrize(
    ("size", "links", "code", "wait"),
    [
        (0, 1, "empty", SPEC.stall_s),
        (1, 1, "", SPEC.settle_s),
        (1, 2, "hard-linked", LINKED_S),
        (4 * 2**30, 1, "", SPEC.settle_s),
        (4 * 2**30 + 1, 1, "too-large", SPEC.settle_s),
    ],
)
def test_each_fault_has_its_code_and_wait_and_its_harmless_twin_has_none(size, links, code, wait):
    verdict = RULES.judge(stamp(size, links), None)
    assert (verdict.code, verdict.wait_s) == (code, wait)
    assert bool(verdict.sentence) == bool(code)


def test_the_largest_deck_is_what_the_service_file_says():
    rules = Rules.of(ServiceSpec(limits=LimitsSpec(deck="1 KiB")))
    assert not rules.judge(stamp(1024), None).code
    what = "has 1,025 bytes; decks of up to 1,024 bytes are taken"
    assert rules.judge(stamp(1025), None).sentence == what


def test_files_with_a_second_name_are_taken_where_that_is_allowed():
    assert not Rules.of(ServiceSpec(allow_hard_links=True)).judge(stamp(80, 2), 80).code


@given(st.text(min_size=1).filter(lambda name: "/" not in name and "\0" not in name))
def test_a_route_without_patterns_takes_every_name(name):
    assert Route("job", (), None, require_marker=False).takes(name)
    assert Route("job", ("*",), None, require_marker=False).takes(name)


@pytest.mark.parametrize(
    ("pattern", "name", "takes"),
    [
        ("*.txt", "a.txt", True),
        ("*.txt", "a.TXT", False),
        ("*.txt", "a.txt\n", False),
        ("*.txt", "two\nlines.txt", True),
        ("rain-[0-9].deck", "rain-7.deck", True),
        ("rain-[0-9].deck", "rain-[0-9].deck", False),
        ("?", "\udcff", True),
    ],
)
def test_patterns_fit_whole_names_by_the_letter(pattern, name, takes):
    assert Route("job", ("no", pattern), None, require_marker=False).takes(name) is takes


# ---- opening


def test_a_settled_deck_opens_for_reading_and_is_not_handed_to_children(deck):
    descriptor = open_deck(found(deck), SPEC)
    try:
        assert os.read(descriptor, 10_000) == b"X" * 800
        assert fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY
        assert not os.get_inheritable(descriptor)
    finally:
        os.close(descriptor)


def link(path: Path) -> None:
    path.rename(path.with_name("elsewhere"))
    path.symlink_to("elsewhere")


def pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def listening(path: Path) -> None:
    path.unlink()
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fspath(path))


def linked_folder(path: Path) -> None:
    path.parent.rename(path.parent.with_name("elsewhere"))
    path.parent.symlink_to("elsewhere", target_is_directory=True)


@pytest.mark.parametrize(
    ("swap", "why"),
    [
        (link, "symbolic link"),
        (pipe, "pipe"),
        (folder, "folder"),
        (listening, "socket"),
        (linked_folder, "folder no longer"),
    ],
)
def test_what_is_put_in_the_place_of_a_settled_deck_is_never_opened(deck, swap, why):
    before, settled = descriptors(), found(deck)
    swap(deck)
    with pytest.raises(StrayError, match=why) as told:
        open_deck(settled, SPEC)
    assert told.value.why in str(told.value)
    assert descriptors() == before


def test_a_device_is_never_a_deck():
    with pytest.raises(StrayError, match="device"):
        open_deck(found(Path("/dev/null")), SPEC)


def grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"Y")


def overwrite(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"Y")
    os.utime(path, ns=(0, 12345))


def replace(path: Path) -> None:
    other = path.with_name("other")
    other.write_bytes(path.read_bytes())
    status = path.stat()
    os.utime(other, ns=(status.st_atime_ns, status.st_mtime_ns))
    other.rename(path)


def second_name(path: Path) -> None:
    path.with_name("second").hardlink_to(path)


@pytest.mark.parametrize("change", [grow, overwrite, replace, second_name, Path.unlink])
def test_a_deck_that_changed_after_it_settled_waits(deck, change):
    before, settled = descriptors(), found(deck)
    change(deck)
    with pytest.raises(NotSettledError):
        open_deck(settled, SPEC)
    assert descriptors() == before


def test_a_deck_whose_folder_is_gone_waits(deck):
    settled = found(deck)
    deck.parent.rename(deck.parent.with_name("elsewhere"))
    with pytest.raises(NotSettledError, match="gone away"):
        open_deck(settled, SPEC)


def test_a_deck_that_is_swapped_while_it_is_opened_waits(deck, monkeypatch):
    settled = found(deck)

    def swap(_: int) -> bool:
        replace(deck)
        return False

    monkeypatch.setattr("deckwright.service.inbox.settling.written_to", swap)
    with pytest.raises(NotSettledError):
        open_deck(settled, SPEC)


@pytest.fixture
def _plain_renames(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have a file system that does not mark a file as changed when it gets another name."""
    of = Stamp.of
    monkeypatch.setattr(
        Stamp, "of", lambda status: dataclasses.replace(of(status), ctime_ns=0, links=1)
    )


@pytest.mark.usefixtures("_plain_renames")
def test_a_deck_whose_name_goes_to_another_file_while_it_is_opened_waits(deck, monkeypatch):
    settled = found(deck)
    monkeypatch.setattr("deckwright.service.inbox.settling.written_to", lambda _: replace(deck))
    with pytest.raises(NotSettledError, match="another file"):
        open_deck(settled, SPEC)


@pytest.mark.usefixtures("_plain_renames")
def test_another_file_that_has_the_name_only_while_it_is_opened_is_not_taken(deck, monkeypatch):
    settled, opens = found(deck), os.open
    other, away = deck.with_name("other"), deck.with_name("away")
    other.write_bytes(deck.read_bytes())
    os.utime(other, ns=(0, settled.stamp.mtime_ns))

    def swap(path: Any, *given: Any, **named: Any) -> int:
        if named.get("dir_fd") is None:
            return opens(path, *given, **named)
        deck.rename(away)
        other.rename(deck)
        try:
            return opens(path, *given, **named)
        finally:
            deck.rename(other)
            away.rename(deck)

    monkeypatch.setattr(os, "open", swap)
    with pytest.raises(NotSettledError, match="has changed"):
        open_deck(settled, SPEC)


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (errno.EACCES, StrayError),
        (errno.EPERM, StrayError),
        (errno.ENXIO, StrayError),
        (errno.ESTALE, NotSettledError),
        (errno.EMFILE, OSError),
        (errno.EIO, OSError),
    ],
)
def test_an_error_in_opening_is_laid_to_the_file_only_where_it_is_the_files(
    deck, monkeypatch, code, kind
):
    settled, before, opens = found(deck), descriptors(), os.open

    def fail(path: Any, *given: Any, **named: Any) -> int:
        if named.get("dir_fd") is not None:
            raise OSError(code, os.strerror(code))
        return opens(path, *given, **named)

    monkeypatch.setattr(os, "open", fail)
    with pytest.raises(kind):
        open_deck(settled, SPEC)
    monkeypatch.undo()
    assert descriptors() == before


# ---- leases

needs_leases = pytest.mark.usefixtures("_leases")


@pytest.fixture
def _leases(tmp_path: Path) -> None:
    """Pass over a test where the file system of the tests grants no leases."""
    path = tmp_path / "probe"
    path.touch()
    descriptor = os.open(path, os.O_RDONLY)
    try:
        if written_to(descriptor) is None:
            pytest.skip("this file system grants no leases")
    finally:
        os.close(descriptor)


@needs_leases
def test_a_deck_that_is_open_for_writing_waits_until_it_is_closed(deck):
    before, settled = descriptors(), found(deck)
    with deck.open("ab"):
        with pytest.raises(NotSettledError, match="open for writing"):
            open_deck(settled, SPEC)
        os.close(open_deck(settled, ServiceSpec(lease=False)))
    os.close(open_deck(settled, SPEC))
    assert descriptors() == before


@needs_leases
def test_a_lease_is_given_back_so_that_writers_come_in_at_once(deck):
    descriptor = os.open(deck, os.O_RDONLY)
    assert written_to(descriptor) is False
    os.close(os.open(deck, os.O_WRONLY | os.O_NONBLOCK))  # while the lease stood this would fail
    os.close(descriptor)


@needs_leases
def test_a_writer_that_comes_while_the_lease_stands_does_not_end_the_service(deck):
    script = """
import fcntl, os, sys
from deckwright.service.system.lease import written_to
real = fcntl.fcntl
def between(descriptor, what, *given):
    answer = real(descriptor, what, *given)
    if what == fcntl.F_SETLEASE and given[0] == fcntl.F_RDLCK:
        try:
            os.open(sys.argv[1], os.O_WRONLY | os.O_NONBLOCK)
        except BlockingIOError:
            print("met")
    return answer
fcntl.fcntl = between
print(written_to(os.open(sys.argv[1], os.O_RDONLY)))
"""
    done = subprocess.run(  # noqa: S603 # our own command
        [sys.executable, "-c", script, deck], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (0, "met\nFalse\n"), done.stderr


@pytest.mark.parametrize("code", [errno.EACCES, errno.EPERM, errno.EINVAL, errno.ENOLCK])
def test_where_the_system_does_not_tell_of_writers_the_deck_is_taken(deck, monkeypatch, code):
    def refuse(*_: object) -> int:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(lease.fcntl, "fcntl", refuse)
    with deck.open("ab"):
        assert bytes_of(open_deck(found(deck), SPEC)) == deck.read_bytes()


def test_a_reader_is_no_writer(deck):
    with deck.open("rb"):
        assert bytes_of(open_deck(found(deck), SPEC)) == deck.read_bytes()
