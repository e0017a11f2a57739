"""What wakes the service, and how watching comes back after it broke."""

from __future__ import annotations

import errno
import os
import random
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from watchdog.observers.api import EventEmitter
from watchdog.observers.inotify import InotifyEmitter
from watchdog.observers.inotify_c import InotifyFD
from watchdog.observers.polling import PollingEmitter

from deckwright.jobs.service import ServiceSpec
from deckwright.service import watcher as module
from deckwright.service.inbox import Inbox
from deckwright.service.settling import Route
from deckwright.service.watcher import Watcher
from service.writers import WAYS, SetClock, write

LONG = 20.0
"""Seconds after which what should come is given up."""


class Watch:
    """An inbox with folders, watched; what wakes the service is written down."""

    def __init__(self, root: Path, kind: str = "native", *folders: str) -> None:
        self.root, self.polls = root, kind == "polling"
        self.calls = 0
        for folder in folders or ("box",):
            (root / folder).mkdir(parents=True, exist_ok=True)
        self.watcher = Watcher(root, kind, self.wake)
        self.watcher.start()

    def wake(self) -> None:
        self.calls += 1

    def heals(self) -> bool:
        """Tell whether all is well again before long."""
        return soon(lambda: not self.watcher.check())

    def hears(self, path: Path) -> bool:
        """Tell whether a deck that is laid there now wakes the service."""
        if self.polls:
            time.sleep(4 * POLL_S)  # it tells of folders only: let what was before go by
        EVENTS.clear()
        calls = self.calls
        path.write_bytes(b"X")
        place = path.parent if self.polls else path
        return heard(place) and self.calls > calls


POLL_S = 0.05

EVENTS: list[Any] = []
"""What observers told of since this was cleared."""


def soon(true: Callable[[], bool]) -> bool:
    """Wait until something is true, and tell whether it came to be."""
    end = time.monotonic() + LONG
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.005)
    return True


def heard(path: Path) -> bool:
    """Wait for an event of a path."""
    name = os.fspath(path)
    return soon(lambda: any(name in {each.src_path, each.dest_path} for each in list(EVENTS)))


@pytest.fixture(autouse=True)
def _events(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write down each event before it wakes the service; poll often."""
    EVENTS.clear()
    dispatch = module._Handler.dispatch  # noqa: SLF001 # to listen, not to change

    def listen(self: Any, event: Any) -> None:
        dispatch(self, event)
        EVENTS.append(event)

    monkeypatch.setattr(module._Handler, "dispatch", listen)  # noqa: SLF001
    monkeypatch.setattr(module, "_POLL_S", POLL_S)


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Callable[..., Watch]]:
    made: list[Watch] = []

    def make(kind: str = "native", *folders: str) -> Watch:
        made.append(Watch(tmp_path / "inbox", kind, *folders))
        return made[-1]

    yield make
    for each in made:
        each.watcher.stop()


def emitters() -> list[EventEmitter]:
    return [each for each in threading.enumerate() if isinstance(each, EventEmitter)]


def descriptors() -> set[str]:
    names = os.listdir("/proc/self/fd")  # noqa: PTH208 # names are enough
    return {name for name in names if os.path.lexists(f"/proc/self/fd/{name}")}


# ---- waking


@pytest.mark.parametrize("way", sorted(WAYS))
def test_each_way_of_laying_down_a_deck_wakes_the_service(watch, way):
    watched = watch()
    write(way, watched.root / "box" / "deck", b"X" * 800)
    assert heard(watched.root / "box" / "deck")
    assert watched.calls > 1
    assert watched.watcher.check() == []


@pytest.mark.parametrize("kind", ["native", "polling"])
def test_decks_in_the_inbox_itself_and_in_its_folders_wake_the_service(watch, kind):
    watched = watch(kind, "box", "other")
    assert watched.watcher.check() == []
    for place in ("deck", "box/deck", "other/deck"):
        assert watched.hears(watched.root / place)


@pytest.mark.parametrize("kind", ["native", "polling"])
def test_a_folder_that_is_new_or_moved_in_wakes_the_service_and_is_watched(watch, kind, tmp_path):
    watched = watch(kind)
    (watched.root / "new").mkdir()
    assert heard(watched.root / "new")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "deck").write_bytes(b"X")
    (tmp_path / "full").rename(watched.root / "moved")
    assert heard(watched.root / "moved")
    assert watched.watcher.check() == []
    assert watched.hears(watched.root / "new" / "deck")
    assert watched.hears(watched.root / "moved" / "more")


def test_a_new_folder_wakes_the_service_once_more_when_it_is_watched(watch):
    watched = watch()
    (watched.root / "new").mkdir()
    assert heard(watched.root / "new")
    before = watched.calls
    assert watched.watcher.check() == []
    assert watched.calls == before + 1
    assert watched.watcher.check() == []
    assert watched.calls == before + 1


def test_reading_a_deck_does_not_wake_the_service(watch):
    watched = watch()
    deck = watched.root / "box" / "deck"
    assert watched.hears(deck)
    assert soon(lambda: any(each.event_type == "closed" for each in EVENTS))
    EVENTS.clear()
    deck.read_bytes()
    list(os.scandir(deck.parent))
    deck.with_name("next").write_bytes(b"X")
    assert heard(deck.with_name("next"))
    assert os.fspath(deck) not in {each.src_path for each in EVENTS}


def test_a_bell_that_raises_does_not_end_the_watching(tmp_path):
    calls = []
    heard = threading.Event()

    def fail() -> None:
        calls.append(1)
        heard.set()
        raise ValueError

    watcher = Watcher(tmp_path, "native", fail)
    watcher.start()
    try:
        for name in ("first", "second"):
            heard.clear()
            (tmp_path / name).write_bytes(b"X")
            assert heard.wait(LONG)
        assert watcher.check() == []
    finally:
        watcher.stop()


def test_a_service_that_is_not_to_be_woken_is_not_and_says_that_all_is_well(watch):
    threads = threading.active_count()
    watched = watch("none")
    assert threading.active_count() == threads
    (watched.root / "box" / "deck").write_bytes(b"X")
    assert watched.watcher.check() == []
    assert watched.calls == 0


@pytest.mark.parametrize("kind", ["native", "polling", "none"])
def test_nothing_is_left_after_a_stop_and_a_stopped_watcher_stays_so(tmp_path, kind):
    Watch(tmp_path / "warm", kind).watcher.stop()
    threads, opened = set(threading.enumerate()), descriptors()
    watched = Watch(tmp_path / "inbox", kind, *map(str, range(10)))
    watched.watcher.stop()
    watched.watcher.stop()
    assert watched.watcher.check() == []
    assert set(threading.enumerate()) == threads
    assert descriptors() == opened


def test_a_watcher_that_was_never_started_stops(tmp_path):
    watcher = Watcher(tmp_path, "native", list)
    assert watcher.check() == []
    watcher.stop()


# ---- what breaks, and comes back


@pytest.mark.parametrize("kind", ["native", "polling"])
def test_an_inbox_that_is_away_for_a_while_is_watched_again_when_it_is_back(watch, kind):
    watched = watch(kind)
    away = watched.root.with_name("away")
    for number in range(3):
        watched.root.rename(away)
        assert watched.watcher.check() == ["the inbox is not watched: no such file or directory"]
        away.rename(watched.root)
        assert watched.heals()
        assert watched.hears(watched.root / f"deck{number}")
        assert watched.hears(watched.root / "box" / f"deck{number}")


@pytest.mark.parametrize("kind", ["native", "polling"])
def test_an_inbox_that_is_replaced_is_watched_and_wakes_the_service(watch, kind):
    watched = watch(kind)
    for number in range(3):
        watched.root.rename(watched.root.with_name(f"old{number}"))
        (watched.root / "box").mkdir(parents=True)
        before = watched.calls
        assert watched.heals()
        assert watched.calls > before, "something may have come before the watch did"
        assert watched.hears(watched.root / "box" / "deck")


def test_a_folder_that_is_removed_and_made_again_is_watched(watch):
    watched = watch()
    for number in range(3):
        [box] = [each for each in emitters() if each.watch.path.endswith("/box")]
        for path in (watched.root / "box").iterdir():
            path.unlink()
        (watched.root / "box").rmdir()
        (watched.root / "box").mkdir()  # it may well get the number of the old one
        box.join(LONG)
        assert watched.heals()
        assert watched.hears(watched.root / "box" / f"deck{number}")


def test_a_folder_that_is_renamed_is_watched_under_its_new_name(watch):
    watched = watch()
    (watched.root / "box").rename(watched.root / "renamed")
    assert watched.heals()
    assert watched.hears(watched.root / "renamed" / "deck")


def leave(*_: object, **__: object) -> None:
    """End the thread that calls this, without a word."""
    raise SystemExit


silent = pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")


@silent
@pytest.mark.parametrize(
    ("kind", "emitter"), [("native", InotifyEmitter), ("polling", PollingEmitter)]
)
def test_an_emitter_that_dies_behind_a_living_observer_is_replaced(
    watch, monkeypatch, kind, emitter
):
    watched = watch(kind)
    for number in range(2):
        with monkeypatch.context() as patch:
            patch.setattr(emitter, "queue_events", leave)
            old = emitters()
            (watched.root / "box" / f"kick{number}").write_bytes(b"X")
            (watched.root / f"kick{number}").write_bytes(b"X")
            for each in old:
                each.join(LONG)
        assert not any(each.is_alive() for each in old)
        assert watched.heals()
        assert len(emitters()) == len(old)
        assert watched.hears(watched.root / "box" / f"deck{number}")


@pytest.mark.parametrize("number", range(2))
def test_an_emitter_that_is_stopped_is_replaced(watch, number):
    watched = watch()
    stopped = emitters()[number]
    stopped.stop()
    stopped.join(LONG)
    assert watched.watcher.check() == []
    assert watched.hears(watched.root / "deck")
    assert watched.hears(watched.root / "box" / "deck")


@silent
def test_a_reader_that_dies_behind_living_emitters_is_replaced(watch, monkeypatch):
    watched = watch()
    [reader] = [each for each in threading.enumerate() if isinstance(each, InotifyFD)]
    with monkeypatch.context() as patch:
        patch.setattr(InotifyFD, "handle_event", leave)
        (watched.root / "kick").write_bytes(b"X")
        reader.join(LONG)
    assert not reader.is_alive()
    assert emitters()
    assert watched.heals()
    assert watched.hears(watched.root / "box" / "deck")


def test_an_observer_that_cannot_be_asked_is_replaced(watch, monkeypatch):
    watched = watch()
    with monkeypatch.context() as patch:
        patch.setattr(
            "watchdog.observers.api.BaseObserver.unschedule", lambda *_: {}["no such watch"]
        )
        (watched.root / "box").rmdir()
        assert watched.watcher.check() == ["the inbox is not watched: keyError"]
    (watched.root / "box").mkdir()
    assert watched.heals()
    assert watched.hears(watched.root / "box" / "deck")


@pytest.mark.parametrize("code", [errno.EMFILE, errno.ENFILE, errno.ENOMEM])
def test_a_limit_of_instances_is_told_and_does_not_outlast_its_cause(tmp_path, monkeypatch, code):
    opened = descriptors()

    def refuse(*_: object) -> int:
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        patch.setattr(InotifyFD, "_create_inotify_fd", refuse)
        watched = Watch(tmp_path / "inbox")
        [reason] = watched.watcher.check()
        assert reason.startswith("the inbox is not watched: ")
        assert not emitters()
    try:
        assert watched.watcher.check() == []
        assert watched.hears(watched.root / "box" / "deck")
    finally:
        watched.watcher.stop()
    assert descriptors() == opened


@pytest.mark.parametrize("free", range(6))
def test_a_process_without_descriptors_keeps_those_it_has(tmp_path, free):
    Watch(tmp_path / "warm").watcher.stop()
    opened = descriptors()
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    (tmp_path / "inbox").mkdir()
    watcher = Watcher(tmp_path / "inbox", "native", list)
    try:
        lowest = os.dup(0)
        os.close(lowest)
        resource.setrlimit(resource.RLIMIT_NOFILE, (lowest + free, hard))
        watcher.start()
        for _ in range(3):
            watcher.check()
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert watcher.check() == []
    watcher.stop()
    assert descriptors() == opened


def test_a_limit_of_watches_is_told_for_each_folder_and_does_not_outlast_its_cause(
    tmp_path, monkeypatch
):
    adds = InotifyFD.add_callback

    def limited(self: Any, path: bytes, *given: Any) -> Any:
        if path.rpartition(b"/")[2] in {b"full", b"two\nlines"}:
            raise OSError(errno.ENOSPC, "inotify watch limit reached")
        return adds(self, path, *given)

    with monkeypatch.context() as patch:
        patch.setattr(InotifyFD, "add_callback", limited)
        watched = Watch(tmp_path / "inbox", "native", "box", "full", "two\nlines")
        assert watched.watcher.check() == [
            "the inbox folder full is not watched: inotify watch limit reached",
            "the inbox folder two\\nlines is not watched: inotify watch limit reached",
        ]
        assert watched.hears(watched.root / "box" / "deck")
    try:
        assert watched.heals()
        assert watched.hears(watched.root / "full" / "deck")
    finally:
        watched.watcher.stop()


def test_a_folder_that_cannot_be_read_is_told(watch, monkeypatch):
    (watch().root / "shut").mkdir()
    asks = os.access
    monkeypatch.setattr(
        os,
        "access",
        lambda path, *given, **named: "shut" not in path and asks(path, *given, **named),
    )
    watched = watch("native", "box")
    assert watched.watcher.check() == ["the inbox folder shut is not watched: it cannot be read"]


def test_a_folder_that_goes_before_it_is_watched_is_no_fault(watch, monkeypatch):
    watched, adds = watch(), InotifyFD.add_callback

    def go(self: Any, path: bytes, *given: Any) -> Any:
        Path(os.fsdecode(path)).rmdir()
        return adds(self, path, *given)

    (watched.root / "new").mkdir()
    with monkeypatch.context() as patch:
        patch.setattr(InotifyFD, "add_callback", go)
        assert watched.watcher.check() == []
    assert len(emitters()) == 2


def test_links_in_the_inbox_are_not_watched(watch, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    watched = watch()
    (watched.root / "link").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    assert watched.heals()
    assert len(emitters()) == 2


def test_no_more_folders_are_watched_than_threads_can_be_spared(watch, monkeypatch):
    monkeypatch.setattr(module, "MOST_FOLDERS", 3)
    watched = watch("native", *"abcde")
    assert watched.watcher.check() == ["3 of the 5 folders of the inbox are watched"]
    assert len(emitters()) == 4
    (watched.root / "d").rmdir()
    (watched.root / "e").rmdir()
    assert watched.heals()


# ---- events are hints


def test_every_deck_is_found_with_events_lost_doubled_and_out_of_order(tmp_path):
    """All that the service ever does upon an event is to scan; here it does so at random."""
    kind = random.Random(3)  # noqa: S311 # the same every time
    clock, left = SetClock(), set(range(2000))
    (tmp_path / "box").mkdir()
    routes = {"box": [Route("job", (), None, require_marker=False)]}
    inbox = Inbox(tmp_path, ServiceSpec(), routes, clock)
    for number in left:
        (tmp_path / "box" / str(number)).write_bytes(b"X")
        if kind.random() < 0.01:
            inbox.scan()
    while left:
        clock.time += kind.choice([0.1, 1.0, 2.0, 10.0])
        for _ in range(kind.randint(0, 2)):
            inbox.scan()
        for found in inbox.ready():
            found.path.unlink()
            inbox.forget(found)
            left.remove(int(found.name))
    inbox.scan()
    assert inbox.waiting == 0


def test_a_flood_of_events_that_nobody_reads_loses_no_deck_and_ends_no_watching(watch, caplog):
    most = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text(encoding="ascii"))
    if most > 20_000:
        pytest.skip(f"a queue of {most:,} events is too long to be filled here")
    watched, held = watch(), InotifyFD.handle_event
    read_on, decks = threading.Event(), most // 2 + 2000

    def hold(self: Any, event: Any) -> None:
        read_on.wait(LONG)
        held(self, event)

    InotifyFD.handle_event = hold
    try:
        for number in range(decks):  # two events each
            (watched.root / "box" / str(number)).write_bytes(b"X")
        read_on.set()
        assert soon(lambda: "overflowed" in caplog.text)
    finally:
        read_on.set()
        InotifyFD.handle_event = held
    routes = {"box": [Route("job", (), None, require_marker=False)]}
    inbox = Inbox(watched.root, ServiceSpec(), routes, SetClock())
    inbox.scan()
    assert inbox.waiting == decks
    assert watched.heals()
    assert watched.hears(watched.root / "box" / "deck")


def test_the_service_is_slim_until_something_is_watched():
    script = """
import sys
import deckwright.service.inbox, deckwright.service.watcher
heavy = {"numpy", "polars", "watchdog", "click", "rich"}
print(heavy & {name.partition(".")[0] for name in sys.modules})
"""
    done = subprocess.run(  # noqa: S603 # our own command
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout == "set()\n"
