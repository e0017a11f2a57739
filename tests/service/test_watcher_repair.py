"""What breaks in watching the inbox is told and comes back by itself."""

from __future__ import annotations

import errno
import os
import resource
import threading
from pathlib import Path
from typing import Any

import pytest
from watchdog.observers.api import EventEmitter
from watchdog.observers.inotify import InotifyEmitter
from watchdog.observers.inotify_c import InotifyFD
from watchdog.observers.polling import PollingEmitter

from deckwright.service.inbox import watcher as module
from deckwright.service.inbox.watcher import Watcher
from service.watch_kit import LONG, Watch, descriptors

pytestmark = pytest.mark.usefixtures("_events")


def emitters() -> list[EventEmitter]:
    return [each for each in threading.enumerate() if isinstance(each, EventEmitter)]


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
