"""What the inbox takes for a settled deck, what it leaves, and what it lists."""

from __future__ import annotations

import hashlib
import os
import random
import socket
import time
import tracemalloc
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    rule,
)

from deckwright.jobs.service import LimitsSpec, ServiceSpec
from deckwright.service import looking
from deckwright.service.clock import Clock
from deckwright.service.inbox import Inbox
from deckwright.service.settling import LINKED_S, Found, NotSettledError, Route, open_deck
from service.writers import BY_LEASE, NEVER_EARLY, WAYS, SetClock, process

SETTLE = ServiceSpec().settle_s
STALL = ServiceSpec().stall_s
CARD = 80


class Box:
    """An inbox with folders, and a clock that a test sets."""

    def __init__(self, root: Path, *routes: Route, folder: str = "box", **options: Any) -> None:
        self.root, self.clock = root, SetClock()
        self.folder = root / folder
        self.folder.mkdir(parents=True, exist_ok=True)
        self.spec = ServiceSpec(**options)
        table = {folder: list(routes) or [Route("job", (), None, require_marker=False)]}
        self.inbox = Inbox(root, self.spec, table, self.clock)

    def put(self, name: str | bytes, data: bytes = b"X" * CARD) -> Path:
        path = self.folder / os.fsdecode(name)
        path.write_bytes(data)
        return path

    def look(self, later: float = 0.0) -> list[str]:
        """Let time pass, scan; return the names of what is ready."""
        self.clock.time += later
        self.inbox.scan()
        return [os.fsdecode(found.name) for found in self.inbox.ready()]

    def settle(self) -> list[str]:
        self.look()
        return self.look(self.spec.settle_s)

    def strays(self) -> dict[str, str]:
        return {stray.place: stray.why for stray in self.inbox.strays}

    def codes(self) -> dict[str, str]:
        return {os.fsdecode(found.name): code for found, code, _ in self.inbox.stalled()}


@pytest.fixture
def box(tmp_path: Path) -> Box:
    return Box(tmp_path / "inbox")


@pytest.fixture
def make_box(tmp_path: Path) -> Callable[..., Box]:
    return lambda *routes, **options: Box(tmp_path / "inbox", *routes, **options)


MARKED = Route("job", (), None, require_marker=True)
CARDS = Route("job", (), CARD, require_marker=False)


# ---- two readings


class Writing(RuleBasedStateMachine):
    """People write, move and remove decks; scans and readings come at any time.

    The model knows of each file when its bytes last changed. Every change gives the file a time
    of its own, so that none is too quick for the file system to tell.
    """

    names = Bundle("names")
    room: Callable[[], Path]

    def __init__(self) -> None:
        super().__init__()
        self.box = Box(self.room())
        self.changed: dict[str, float] = {}
        self.count = 0

    def _changed(self, name: str) -> None:
        self.count += 1
        os.utime(self.box.folder / name, ns=(0, self.count * 10**9 * (-1) ** self.count))
        self.changed[name] = self.box.clock.time

    @initialize(target=names, name=st.sampled_from(["a", "b"]))
    def first(self, name: str) -> str:
        self.box.put(name, b"X")
        self._changed(name)
        return name

    @rule(target=names, name=st.sampled_from(list("abcde")), size=st.integers(0, 9))
    def write(self, name: str, size: int) -> str:
        self.box.put(name, b"X" * size)
        self._changed(name)
        return name

    @rule(name=names, data=st.binary(max_size=3))
    def append(self, name: str, data: bytes) -> None:
        with (self.box.folder / name).open("ab") as file:
            file.write(data)
        self._changed(name)

    @rule(name=names)
    def touch(self, name: str) -> None:
        if name in self.changed:
            self._changed(name)

    @rule(target=names, old=consumes(names), new=st.sampled_from(list("abcde")))
    def move(self, old: str, new: str) -> str:
        if old in self.changed:
            (self.box.folder / old).rename(self.box.folder / new)
            self.changed[new] = self.changed.pop(old)
        return new if new in self.changed else self.write(new, 1)

    @rule(name=consumes(names))
    def remove(self, name: str) -> None:
        (self.box.folder / name).unlink(missing_ok=True)
        self.changed.pop(name, None)

    @rule(seconds=st.sampled_from([0.5, 1.0, 1.5, SETTLE, 3.0]))
    def wait(self, seconds: float) -> None:
        self.box.clock.time += seconds

    @rule()
    def scan(self) -> None:
        self.box.inbox.scan()
        assert self.box.inbox.waiting == len(self.changed)

    @rule()
    def wait_for_what_is_due(self) -> None:
        due = self.box.inbox.next_due()
        if due is not None:
            self.box.clock.time = max(due, self.box.clock.time)
            self.box.inbox.ready()
            later = self.box.inbox.next_due()
            assert later is None or later > self.box.clock.time

    @rule()
    def take(self) -> None:
        for found in self.box.inbox.ready():
            name = os.fsdecode(found.name)
            try:
                os.close(open_deck(found, self.box.spec))
            except NotSettledError:
                self.box.inbox.forget(found)
                continue
            assert self.box.clock.time - self.changed[name] >= SETTLE
            assert found.path.stat().st_size > 0
            found.path.unlink()
            self.box.inbox.forget(found)
            del self.changed[name]

    @invariant()
    def what_is_due_lies_ahead_or_is_read_at_once(self) -> None:
        due = self.box.inbox.next_due()
        assert due is None or due <= self.box.clock.time + STALL

    def teardown(self) -> None:
        """Nothing is lost: all decks settle in the end, all empty files stall."""
        ready = set(self.box.settle())
        sizes = {path.name: path.stat().st_size for path in self.box.folder.iterdir()}
        assert ready == {name for name, size in sizes.items() if size}
        self.box.look(STALL)
        assert set(self.box.codes()) == {name for name, size in sizes.items() if not size}


@pytest.fixture(scope="module")
def _writing(tmp_path_factory: pytest.TempPathFactory) -> None:
    Writing.room = staticmethod(lambda: tmp_path_factory.mktemp("writing"))


@pytest.mark.usefixtures("_writing")
class TestWriting(Writing.TestCase):
    """Whatever people do, only what stood still for the settle time is ready."""

    settings = settings(max_examples=100, stateful_step_count=30, deadline=None)


def test_one_reading_is_not_enough_however_long_ago_the_file_was_written(box):
    os.utime(box.put("deck"), ns=(0, 0))
    assert box.look(1e6) == []
    assert box.look(SETTLE - 0.001) == []
    assert box.look(0.001) == ["deck"]


@given(st.integers(-(2**31), 2**33))
def test_file_times_are_never_held_against_the_time_of_day(room, seconds):
    box = Box(room())
    os.utime(box.put("deck"), (seconds, seconds))
    assert box.look() == []
    assert box.look(SETTLE) == ["deck"]


def test_a_long_look_does_not_bring_two_readings_further_apart(tmp_path):
    class Slow(SetClock):
        def steady(self) -> float:
            self.time += SETTLE / 2  # every question takes half the settle time
            return self.time

    box = Box(tmp_path)
    box.put("deck")
    box.inbox = Inbox(box.root, box.spec, {"box": [CARDS]}, Slow())
    box.inbox.scan()
    assert not box.inbox.ready(), "the look began at 1, ended at 2, and this is 3"


def test_a_look_that_ends_after_the_settle_time_read_before_it(tmp_path):
    class Late(SetClock):
        questions = 0

        def steady(self) -> float:
            self.questions += 1
            if self.questions == 4:  # the second look is over
                self.time += SETTLE
                (tmp_path / "box" / "deck").write_bytes(b"changed while others were looked at")
            return self.time

    box = Box(tmp_path)
    box.put("deck")
    box.inbox = Inbox(box.root, box.spec, {"box": [CARDS]}, Late())
    box.inbox.scan()
    box.inbox.scan()
    assert not box.inbox.ready()


def test_what_became_another_kind_of_thing_is_no_longer_known(box):
    deck = box.put("deck")
    box.look()
    deck.unlink()
    os.mkfifo(deck)
    for _ in range(3):
        box.clock.time += SETTLE
        assert box.inbox.ready() == []
    assert box.inbox.next_due() is None


def test_what_is_due_is_read_again_without_a_scan(box):
    first, second, third = (box.put(name) for name in ("first", "second", "third"))
    box.look()
    assert box.inbox.next_due() == box.clock.time + SETTLE
    second.write_bytes(b"changed")
    third.unlink()
    box.clock.time += SETTLE
    assert [found.path for found in box.inbox.ready()] == [first]
    assert box.inbox.next_due() == box.clock.time + SETTLE
    box.clock.time += SETTLE
    assert {found.path for found in box.inbox.ready()} == {first, second}
    assert box.inbox.next_due() is None


def test_decks_are_ready_oldest_first(box):
    times = [(number * 37) % 50 - 25 for number in range(50)]
    for when in times:
        os.utime(box.put(f"deck{when}"), (when, when))
    assert box.settle() == [f"deck{when}" for when in sorted(times)]


def test_a_forgotten_deck_begins_anew_and_no_longer_counts(box):
    box.put("deck")
    box.put("other")
    box.settle()
    for found in box.inbox.ready():
        if found.name == b"deck":
            box.inbox.forget(found)
            box.inbox.forget(found)
    assert box.inbox.waiting == 1
    assert box.inbox.waiting_of == {"job": 1}
    assert box.look(SETTLE) == ["other"]
    assert box.look(SETTLE) == ["deck", "other"]


def test_a_deck_that_is_put_off_settles_anew_and_is_listed_until_it_changes(box):
    deck = box.put("deck")
    box.settle()
    box.inbox.put_off(box.inbox.ready()[0], "is still open for writing")
    assert box.look() == []
    assert box.strays() == {"box/deck": "is still open for writing"}
    assert box.inbox.waiting == 1
    assert box.look(SETTLE) == ["deck"]
    deck.write_bytes(b"more")
    assert box.settle() == ["deck"]
    assert box.strays() == {}


# ---- what can never be taken


def test_an_empty_file_waits_and_then_stalls(box):
    deck = box.put("deck", b"")
    assert box.settle() == []
    assert box.codes() == {}
    assert box.inbox.next_due() == box.clock.time - SETTLE + STALL
    box.clock.time += STALL - SETTLE
    assert box.codes() == {"deck": "empty"}
    deck.write_bytes(b"X")
    assert box.settle() == ["deck"]
    assert box.codes() == {}


def test_a_file_that_ends_inside_a_card_waits_and_then_stalls_with_the_cards_number(make_box):
    box = make_box(CARDS)
    box.put("deck", b"X" * (3 * CARD + 7))
    box.put("whole", b"X" * (3 * CARD))
    assert box.settle() == ["whole"]
    box.put("deck", b"X" * (4 * CARD + 8))
    box.look(STALL)
    assert box.codes() == {}, "it grew, so the wait began anew"
    box.look(STALL)
    [(found, code, sentence)] = box.inbox.stalled()
    assert (found.name, code) == (b"deck", "ends-inside-card")
    assert sentence == "ends inside card 5: 8 of 80 bytes are there"


def test_a_file_with_a_second_name_stalls_after_a_minute_and_one_that_loses_it_is_taken(box):
    for name in ("linked", "delivered"):
        box.put(name).with_name(f".{name}").hardlink_to(box.folder / name)
    assert box.settle() == []
    (box.folder / ".delivered").unlink()
    assert box.settle() == ["delivered"]
    box.look(LINKED_S)
    assert box.codes() == {"linked": "hard-linked"}
    [found] = box.inbox.ready()
    assert found.name == b"delivered"


def test_a_file_with_a_second_name_is_taken_where_that_is_allowed(make_box):
    box = make_box(allow_hard_links=True)
    box.put("linked").with_name(".linked").hardlink_to(box.folder / "linked")
    assert box.settle() == ["linked"]


def test_a_deck_that_is_too_large_comes_back_once_its_writer_has_settled(make_box):
    box = make_box(limits=LimitsSpec(deck="1 KiB"))
    box.put("fits", b"X" * 1024)
    box.put("large", b"X" * 1025)
    box.look()
    assert box.codes() == {}
    assert box.look(SETTLE) == ["fits"]
    assert box.codes() == {"large": "too-large"}


# ---- what lies in the wrong place


def make_link(path: Path) -> None:
    path.symlink_to("/etc/hostname")


def make_dangling_link(path: Path) -> None:
    path.symlink_to("nowhere")


def make_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fspath(path))


def make_device(path: Path) -> None:
    try:
        os.mknod(path, 0o20600, os.makedev(1, 3))
    except PermissionError:
        pytest.skip("only root may make a device")


def make_full_folder(path: Path) -> None:
    path.mkdir()
    (path / "inner").write_bytes(b"X")


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (make_link, "symbolic link"),
        (make_dangling_link, "symbolic link"),
        (os.mkfifo, "pipe"),
        (make_socket, "socket"),
        (make_device, "device"),
        (make_full_folder, "folder"),
    ],
)
@pytest.mark.parametrize("place", ["box/odd", "odd"])
def test_what_is_no_file_is_left_and_listed_once_and_the_deck_beside_it_is_taken(
    box, make, why, place
):
    box.put("deck")
    make(box.root / place)
    for _ in range(3):
        assert set(box.look(SETTLE)) <= {"deck"}
        if place == "box/odd":
            assert list(box.strays()) == [place]
            assert why in box.strays()[place]
        else:
            assert len(box.strays()) == box.inbox.strays_in_all == 1
    assert box.look() == ["deck"]
    assert os.path.lexists(box.root / place)
    assert box.inbox.waiting == 1


def test_a_folder_of_a_job_that_is_a_link_is_not_followed(box, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "deck").write_bytes(b"X")
    box.folder.rmdir()
    box.folder.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    assert box.settle() == []
    assert "links are not followed" in box.strays()["box"]
    box.folder.unlink()
    box.folder.mkdir()
    box.put("deck")
    assert box.settle() == ["deck"]
    assert box.strays() == {}


def test_a_deck_that_no_job_takes_stays_and_is_listed_with_the_reason(make_box):
    box = make_box(Route("job", ("*.txt",), None, require_marker=False))
    box.put("deck.txt")
    box.put("deck.csv")
    (box.root / "loose").write_bytes(b"X")
    (box.root / "other").mkdir()
    (box.root / "other" / "deck.txt").write_bytes(b"X")
    (box.root / "other" / ".deck.txt").write_bytes(b"X")
    assert box.settle() == ["deck.txt"]
    assert box.strays() == {
        "box/deck.csv": "has a name that no job of this folder takes",
        "loose": "lies in no job's folder; there are: box",
        "other/deck.txt": "lies in a folder that is no job's",
    }
    assert box.inbox.waiting == 1


def test_jobs_that_share_a_folder_take_what_fits_them_first_come_first(make_box):
    box = make_box(
        Route("rain", ("rain*",), None, require_marker=False),
        Route("rest", ("*.txt",), None, require_marker=False),
    )
    for name in ("rain.txt", "sun.txt", "rain.csv"):
        box.put(name)
    box.settle()
    jobs = {found.name: box.inbox.job_of(found) for found in box.inbox.ready()}
    assert jobs == {b"rain.txt": "rain", b"sun.txt": "rest", b"rain.csv": "rain"}
    assert box.inbox.waiting_of == {"rain": 2, "rest": 1}
    for when, name in enumerate(["rain.csv", "sun.txt", "rain.txt"]):
        os.utime(box.folder / name, (when, when))
    assert box.settle() == ["rain.csv", "sun.txt", "rain.txt"], "oldest first, whosever they are"
    stranger = Found("box", b"sun.csv", box.folder, box.inbox.ready()[0].stamp, None)
    assert box.inbox.job_of(stranger) is None


@pytest.mark.parametrize(
    "name", [".deck", "~deck", "deck~", "deck.part", "deck.tmp", "deck.swp", "deck.ok", "a.sha256"]
)
def test_names_of_half_copied_files_are_passed_over(box, name):
    box.put(name)
    box.put("deck.partly")
    assert box.settle() == ["deck.partly"]
    assert box.inbox.waiting == 1
    assert box.strays() == {}


def unreadable(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    """Make the system say that files may not be read, as it says to all but root."""
    asks = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode, **more: path not in names and asks(path, mode, **more)
    )


def test_a_file_that_may_not_be_read_stays_and_is_listed_and_others_go_on(box, monkeypatch):
    unreadable(monkeypatch, "closed")
    box.put("closed").chmod(0o200)
    box.put("open")
    assert box.settle() == ["open"]
    assert box.strays() == {"box/closed": "may not be read by the service"}
    assert box.inbox.waiting == 2
    (box.folder / "closed").chmod(0o644)
    assert set(box.settle()) == {"closed", "open"}
    assert box.strays() == {}


def test_an_inbox_that_is_missing_or_no_folder_is_a_stray_and_comes_back(box):
    box.put("deck")
    away = box.root.with_name("away")
    box.root.rename(away)
    assert box.settle() == []
    assert box.strays() == {".": "the inbox is missing"}
    assert box.inbox.waiting == 0
    box.root.write_bytes(b"X")
    assert box.settle() == []
    assert box.strays()["."].startswith("the inbox is none")
    box.root.unlink()
    away.rename(box.root)
    assert box.settle() == ["deck"]
    assert box.strays() == {}


def test_a_folder_that_is_missing_or_cannot_be_read_is_a_stray_and_others_go_on(
    tmp_path, monkeypatch
):
    box = Box(tmp_path)
    box.put("deck")
    route = Route("other", (), None, require_marker=False)
    box.inbox = Inbox(
        box.root, box.spec, {"away": [route], "shut": [route], "box": [CARDS]}, box.clock
    )
    (box.root / "shut").mkdir()
    opens = os.open

    def refuse(path: Any, *given: Any, **named: Any) -> int:
        if path == "shut":
            raise PermissionError(13, "Permission denied")
        return opens(path, *given, **named)

    monkeypatch.setattr(os, "open", refuse)
    assert box.settle() == ["deck"]
    assert box.strays() == {
        "away": "the folder is missing",
        "shut": "the folder cannot be read: Permission denied",
    }


def test_a_file_whose_status_cannot_be_read_is_listed_and_others_go_on(box, monkeypatch):
    box.put("bad")
    box.put("good")
    asks = os.stat

    def fail(path: Any, **more: Any) -> os.stat_result:
        if path == "bad":
            raise OSError(5, "Input/output error")
        return asks(path, **more)

    monkeypatch.setattr(os, "stat", fail)
    assert box.settle() == ["good"]
    assert box.strays() == {"box/bad": "it cannot be read: Input/output error"}


def test_a_file_that_goes_away_while_it_is_looked_at_is_no_stray(box, monkeypatch):
    for name in ("box/gone", "gone"):
        (box.root / name).write_bytes(b"X")
    asks = os.stat

    def go(path: Any, **more: Any) -> os.stat_result:
        if path == "gone":
            raise FileNotFoundError(2, "No such file or directory")
        return asks(path, **more)

    monkeypatch.setattr(os, "stat", go)
    assert box.settle() == []
    assert box.strays() == {}


# ---- markers


def test_a_deck_waits_for_its_marker_and_the_marker_is_no_deck(make_box):
    box = make_box(MARKED)
    box.put("deck")
    box.put("whole")
    box.put("whole.ok", b"")
    assert box.settle() == ["whole"]
    [found] = box.inbox.ready()
    assert (found.marker, found.marker_sha256) == (b"whole.ok", None)
    assert box.inbox.waiting == 2
    assert box.strays() == {}
    box.put("deck.ok", b"")
    assert box.settle() == ["deck", "whole"]


def test_a_marker_with_a_digest_hands_it_on_and_comes_before_one_without(make_box):
    box = make_box(MARKED)
    digest = hashlib.sha256(b"X" * CARD).hexdigest()
    box.put("deck")
    box.put("deck.ok", b"")
    box.put("deck.sha256", f"{digest.upper()} *deck\n".encode())
    assert box.settle() == ["deck"]
    [found] = box.inbox.ready()
    assert (found.marker, found.marker_sha256) == (b"deck.sha256", digest)


def test_a_marker_without_its_digest_yet_lets_nothing_in_and_is_listed(make_box):
    box = make_box(MARKED)
    box.put("deck")
    box.put("deck.ok", b"")
    box.put("deck.sha256", b"abc")
    assert box.settle() == []
    assert box.strays() == {"box/deck.sha256": "names no SHA-256; deck waits for it"}
    assert box.inbox.waiting == 1
    box.put("deck.sha256", b"a" * 64)
    assert box.settle() == ["deck"]


def test_a_lone_marker_is_a_stray_where_markers_are_asked_for_only(make_box):
    box = make_box(MARKED)
    box.put("deck.ok", b"")
    assert box.settle() == []
    assert box.strays() == {"box/deck.ok": "marks deck as complete, and there is no such deck"}
    assert box.inbox.waiting == 0
    box.put(".half.ok", b"")
    box.put("half.part.ok", b"")
    box.look()
    assert list(box.strays()) == ["box/deck.ok"]


@pytest.mark.parametrize("make", [make_link, os.mkfifo])
def test_a_marker_or_marked_deck_that_is_no_file_lets_nothing_in(make_box, make):
    box = make_box(MARKED)
    box.put("deck")
    make(box.folder / "deck.ok")
    make(box.folder / "odd")
    box.put("odd.ok", b"")
    assert box.settle() == []
    assert set(box.strays()) == {"box/deck.ok", "box/odd"}


def test_a_marker_that_is_taken_back_holds_the_deck_again(make_box):
    box = make_box(MARKED)
    box.put("deck")
    marker = box.put("deck.ok", b"")
    assert box.settle() == ["deck"]
    marker.unlink()
    assert box.look() == []


def test_a_deck_that_is_not_what_its_marker_says_stalls_unless_one_of_them_changes(make_box):
    box = make_box(MARKED)
    box.put("deck")
    box.put("deck.sha256", b"a" * 64)
    box.settle()
    [found] = box.inbox.ready()
    box.inbox.refuse(found, "marker-differs", "is not what its marker says")
    assert box.look(SETTLE) == []
    assert box.strays() == {"box/deck": "is not what its marker says"}
    box.look(STALL)
    assert box.codes() == {"deck": "marker-differs"}
    box.put("deck.sha256", b"b" * 64)
    assert box.look() == ["deck"], "the deck itself stood still all the time"
    assert box.codes() == {}
    assert box.strays() == {}


def test_a_marked_deck_that_may_not_be_read_is_listed_once(make_box, monkeypatch):
    unreadable(monkeypatch, "deck")
    box = make_box(MARKED)
    box.put("deck").chmod(0o200)
    box.put("deck.ok", b"")
    assert box.settle() == []
    assert box.strays() == {"box/deck": "may not be read by the service"}
    assert box.inbox.strays_in_all == 1


# ---- names


def odd_names() -> list[bytes]:
    """Return 300 names that a file may have, most of them unkind; none is passed over."""
    kind = random.Random(7)  # noqa: S311 # the same every time
    names = [
        b"two\nlines", b"\x1b[31mred", b"bell\x07", b"\xff\xfe", b"n" * 255, "ü".encode() * 127,
        b"-rf", b"--help", b"..deck"[1:].replace(b".", b"_"), b"...x".replace(b".", b"\\"), b"*",
        b"?", b"[a-z]", b"{a,b}", b"$HOME", b"`id`", b"a;b", b"a|b", b"a b", b" ", b"\t", b"\r",
        b"'", b'"', b"\\", b"%s", b"%00", b"a\\nb", b"CON", b"nul", b"deck", b"d\xd0\xb5ck",
        "\u202egpj.txt".encode(), "zero\u200bwidth".encode(), b"\xc3", b"\xed\xa0\x80", b"#", b"!",
    ]  # fmt: skip
    for word in ("café", "Å", "ñandú", "한글", "Größe"):
        names += [unicodedata.normalize(form, word).encode() for form in ("NFC", "NFD")]
    letters = [byte for byte in range(1, 256) if byte not in b"/.~"]
    while len(names) < 300:
        names.append(bytes(kind.choices(letters, k=kind.randint(1, 255))))
    return names


def test_300_odd_names_are_all_found_byte_for_byte_and_shown_on_one_plain_line(box):
    names = odd_names()
    assert len(set(names)) == 300
    for name in names:
        box.put(name, hashlib.sha256(name).digest())
    box.settle()
    found = {each.name: each for each in box.inbox.ready()}
    assert set(found) == set(names)
    for name, each in found.items():
        descriptor = open_deck(each, box.spec)
        assert os.read(descriptor, 99) == hashlib.sha256(name).digest()
        os.close(descriptor)
        assert os.fsencode(each.path.name) == name


def test_odd_names_of_strays_are_shown_on_one_plain_line(make_box):
    box = make_box(Route("job", ("none",), None, require_marker=False))
    for name in odd_names():
        box.put(name)
    box.settle()
    assert len(box.inbox.strays) == box.inbox.strays_in_all == 300
    assert all(stray.place.isprintable() for stray in box.inbox.strays)
    assert len(box.strays()) == 300, "no two are shown alike"


@given(st.binary(min_size=1, max_size=255).filter(lambda name: not set(name) & set(b"/\0")))
def test_any_name_that_the_system_allows_is_found_or_passed_over_by_its_pattern(room, name):
    if name in {b".", b".."}:
        return
    box = Box(room(), ignore=[".*"])
    box.put(name)
    assert [os.fsencode(each) for each in box.settle()] == [name] * (not name.startswith(b"."))


def test_the_name_of_a_folder_may_be_odd_as_well(tmp_path):
    box = Box(tmp_path, folder="\udcff\n*")
    box.put("deck")
    assert box.settle() == ["deck"]
    [found] = box.inbox.ready()
    assert found.folder == "\udcff\n*"
    os.close(open_deck(found, box.spec))


# ---- many


def test_many_decks_take_little_memory_and_are_all_taken_in_order(box, monkeypatch):
    monkeypatch.setattr(looking, "KEPT", 100)
    for number in range(3000):
        os.utime(box.put(f"{number:05}", b"X"), ns=(0, number * 10**6))
    tracemalloc.start()
    try:
        assert len(box.settle()) == 100
        assert box.inbox.waiting == 3000
        assert tracemalloc.get_traced_memory()[0] < 2**20
    finally:
        tracemalloc.stop()
    taken = []
    while box.settle():
        for found in box.inbox.ready():
            found.path.unlink()
            box.inbox.forget(found)
            taken.append(int(found.name))
    assert taken == list(range(3000))


def test_many_decks_of_one_job_do_not_keep_out_those_of_another(tmp_path, monkeypatch):
    monkeypatch.setattr(looking, "KEPT", 100)
    box = Box(tmp_path)
    routes = {
        "box": [Route("many", (), None, require_marker=False)],
        "few": [Route("few", (), None, require_marker=False)],
    }
    box.inbox = Inbox(box.root, box.spec, routes, box.clock)
    (box.root / "few").mkdir()
    for number in range(300):
        os.utime(box.put(f"{number:05}"), ns=(0, number))
    (box.root / "few" / "new").write_bytes(b"X")
    assert box.settle()[-1] == "new"


@pytest.mark.parametrize("what", ["empty", "linked", "closed", "unmarked", "put off"])
def test_many_files_that_cannot_be_taken_do_not_keep_out_one_that_can(tmp_path, monkeypatch, what):
    monkeypatch.setattr(looking, "KEPT", 60)
    names = [f"{number:05}" for number in range(200)]
    unreadable(monkeypatch, *(names if what == "closed" else []))
    box = Box(tmp_path, MARKED if what == "unmarked" else CARDS)
    for name in names[: 50 if what == "put off" else None]:
        path = box.put(name, b"" if what == "empty" else b"X" * CARD)
        os.utime(path, ns=(0, 0))
        path.chmod(0o200 if what == "closed" else 0o644)
        if what == "linked":
            path.with_name(f".{name}").hardlink_to(path)
    if what == "put off":
        box.settle()
        for found in box.inbox.ready():
            box.inbox.put_off(found, "is still open for writing")
        for name in names[50:]:
            os.utime(box.put(name), ns=(0, 1))
    box.put("deck")
    box.put("deck.ok", b"")
    for _ in range(4):
        if "deck" in box.settle():
            return
        for found in box.inbox.ready():
            if what == "put off" and os.fsdecode(found.name) in names[:50]:
                box.inbox.put_off(found, "is still open for writing")
            else:
                found.path.unlink()
                box.inbox.forget(found)
    pytest.fail("the deck was never ready")


@pytest.mark.parametrize("how", ["changed", "forgotten"])
def test_a_deck_that_was_put_off_takes_its_place_again_once_that_is_over(box, monkeypatch, how):
    monkeypatch.setattr(looking, "KEPT", 50)
    os.utime(box.put("deck"), (0, 0))
    box.settle()
    [found] = box.inbox.ready()
    box.inbox.put_off(found, "is still open for writing")
    os.utime(found.path, (1, 1))
    if how == "changed":
        box.look()
    else:
        box.inbox.forget(found)
    for number in range(60):
        box.put(f"newer{number}")
    assert box.settle()[0] == "deck"


def test_the_list_of_strays_is_cut_and_its_length_told(make_box):
    box = make_box(Route("job", ("none",), None, require_marker=False))
    for number in range(2500):
        box.put(f"{number:05}", b"")
    box.look()
    assert [stray.place for stray in box.inbox.strays] == [f"box/{n:05}" for n in range(1000)]
    assert box.inbox.strays_in_all == 2500
    assert box.inbox.waiting == 0


def test_nothing_stays_open_after_scans(box):
    box.put("deck")
    make_full_folder(box.folder / "folder")
    before = set(os.listdir("/proc/self/fd"))  # noqa: PTH208 # names are enough
    box.settle()
    box.root.rename(box.root.with_name("away"))
    box.settle()
    assert set(os.listdir("/proc/self/fd")) == before  # noqa: PTH208


# ---- ways of writing


def deck_bytes(seed: int) -> bytes:
    """Return a deck of ten cards, no piece of which is whole cards."""
    return hashlib.shake_256(str(seed).encode()).digest(10 * CARD)


def take(box: Box) -> Iterator[bytes]:
    """Take what is ready as the service does; yield the bytes."""
    for found in box.inbox.ready():
        try:
            descriptor = open_deck(found, box.spec)
        except NotSettledError as error:
            box.inbox.put_off(found, error.why)
            continue
        data = os.read(descriptor, 10**6)
        os.close(descriptor)
        if found.marker_sha256 not in {None, hashlib.sha256(data).hexdigest()}:
            box.inbox.refuse(found, "marker-differs", "is not what its marker says")
            continue
        found.path.unlink()
        box.inbox.forget(found)
        yield data


@pytest.fixture(scope="module")
def leases(tmp_path_factory: pytest.TempPathFactory) -> bool:
    """Tell whether the file system of the tests grants leases."""
    from deckwright.service.lease import written_to  # noqa: PLC0415 # to be asked first

    path = tmp_path_factory.mktemp("leases") / "probe"
    path.touch()
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return written_to(descriptor) is not None
    finally:
        os.close(descriptor)


pauses = st.lists(st.sampled_from([0.0, 0.5, 1.0, SETTLE, 3 * SETTLE]), min_size=8, max_size=8)
short_pauses = st.lists(st.sampled_from([0.0, 0.25, 0.75]), min_size=8, max_size=8)


def deliver(box: Box, way: str, seed: int, waits: list[float]) -> list[bytes]:
    """Write a deck in a way; scan and take after every pause, and in the end."""
    taken = []
    for _, wait in zip(WAYS[way](box.folder / "deck", deck_bytes(seed)), waits, strict=False):
        box.look(wait)
        taken += take(box)
        box.look(wait)
        taken += take(box)
    for _ in range(3):
        box.look(SETTLE)
        taken += take(box)
    return taken


@settings(deadline=None, max_examples=300)
@given(st.sampled_from(NEVER_EARLY), st.integers(), pauses)
def test_no_half_deck_is_taken_however_long_the_writer_pauses(room, leases, way, seed, waits):
    assume(leases or way not in BY_LEASE)
    box = Box(room(), *([MARKED] if way == "marked" else []))
    assert deliver(box, way, seed, waits) == [deck_bytes(seed)]


@settings(deadline=None)
@given(st.integers(), pauses)
def test_no_half_deck_is_taken_whose_marker_names_other_bytes(room, seed, waits):
    assert deliver(Box(room(), MARKED), "digested", seed, waits) == [deck_bytes(seed)]


@settings(deadline=None)
@given(st.sampled_from(sorted(WAYS)), st.integers(), short_pauses)
def test_no_half_deck_is_taken_whose_writer_pauses_less_than_the_settle_time(
    room, way, seed, waits
):
    # without leases, and without looking into markers
    box = Box(room(), lease=False, ignore=[".*", "*.ok", "*.sha256"])
    assert deliver(box, way, seed, waits) == [deck_bytes(seed)]


@settings(deadline=None)
@given(st.integers(), pauses)
def test_no_half_card_is_taken_where_all_cards_have_one_length(room, seed, waits):
    taken = deliver(Box(room(), CARDS, lease=False), "appended", seed, waits)
    assert all(len(data) % CARD == 0 for data in taken)
    assert b"".join(taken) == deck_bytes(seed), (
        "the rest of a deck that was taken early is one more"
    )


@pytest.mark.parametrize("way", NEVER_EARLY)
def test_a_writer_in_a_process_of_its_own_is_never_cut_short(tmp_path, leases, way):
    if not leases and way in BY_LEASE:
        pytest.skip("this file system grants no leases")
    source = tmp_path / "source"
    source.write_bytes(deck_bytes(1))
    box = Box(tmp_path / "inbox", settle_s=0.05)
    route = MARKED if way == "marked" else CARDS
    box.inbox = Inbox(box.root, box.spec, {"box": [route]}, Clock())
    writer = process(way, box.folder / "deck", source, 0.12)
    taken: list[bytes] = []
    try:
        end = time.monotonic() + 60
        while not taken and time.monotonic() < end:
            box.inbox.scan()
            taken += take(box)
            time.sleep(0.005)
        assert writer.wait(timeout=60) == 0
    finally:
        writer.kill()
        writer.wait()
    assert taken == [deck_bytes(1)]
