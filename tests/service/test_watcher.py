"""What wakes the service, and how watching comes back after it broke."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from watchdog.observers.inotify_c import InotifyFD

from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import Route
from deckwright.service.inbox.watcher import Watcher
from service.watch_kit import EVENTS, LONG, Watch, descriptors, heard, soon
from service.writers import WAYS, SetClock, write

pytestmark = pytest.mark.usefixtures("_events")


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


@pytest.mark.slow
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
import deckwright.service.inbox.inbox, deckwright.service.inbox.watcher
heavy = {"numpy", "polars", "watchdog", "click", "rich"}
print(heavy & {name.partition(".")[0] for name in sys.modules})
"""
    done = subprocess.run(  # noqa: S603 # our own command
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout == "set()\n"
