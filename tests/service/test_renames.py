"""Decks that end inside a line and were renamed into the inbox within one tick of its clock."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox import renames
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.renames import Renames
from deckwright.service.inbox.settling import OPEN_END, Stamp
from service.house import cards_of, house, run_of
from service.test_open_ends import HALF, LINES
from service.watch_kit import EVENTS, Watch, heard, soon
from service.writers import SetClock


def deliver(written: Path, place: Path, data: bytes = HALF) -> Stamp:
    """Write a deck and rename it to its place so soon that its times do not tell of it."""
    while True:
        written.write_bytes(data)
        written.replace(place)
        status = place.lstat()
        if status.st_mtime_ns == status.st_ctime_ns:
            return Stamp.of(status)
        place.unlink()


@pytest.fixture
def watched(watch) -> tuple[Watch, Renames]:
    told = Renames()
    return watch(renamed=told.hear), told


@pytest.mark.parametrize("elsewhere", [False, True])
def test_a_rename_that_the_times_do_not_show_lets_a_deck_in_at_once(watched, tmp_path, elsewhere):
    watch, told = watched
    box = watch.root / "box"
    stamp = deliver((tmp_path if elsewhere else box) / ".deck", box / "deck")
    assert soon(lambda: stamp in told)
    clock, spec = SetClock(), ServiceSpec()
    inbox = Inbox(watch.root, spec, {"box": [LINES]}, clock, told)
    inbox.scan()
    clock.time += spec.settle_s
    assert [found.name for found in inbox.ready()] == [b"deck"]


def test_a_rename_that_is_told_late_lets_a_deck_in_that_waits(make_box):
    told, box = Renames(), make_box(LINES)
    box.inbox = Inbox(box.root, box.spec, {"box": [LINES]}, box.clock, told)
    path = box.put("deck", HALF)
    assert box.settle() == box.look() == []
    assert box.strays() == {"box/deck": OPEN_END}
    told.hear(os.fspath(path))
    assert box.look() == ["deck"]
    assert box.strays() == {}


def test_what_is_written_by_its_name_or_added_to_is_no_rename(watched):
    watch, told = watched
    box = watch.root / "box"
    (box / "deck").write_bytes(HALF)
    moved = deliver(box / ".other", box / "other")
    assert soon(lambda: moved in told)
    assert Stamp.of((box / "deck").lstat()) not in told
    with (box / "other").open("ab") as file:
        file.write(b"rd and half of ano")
    assert Stamp.of((box / "other").lstat()) not in told


@pytest.mark.usefixtures("_events")
def test_what_goes_out_of_the_inbox_does_not_wake_the_service(watched, tmp_path):
    watch, _ = watched
    deck = watch.root / "box" / "deck"
    assert watch.hears(deck)
    assert soon(lambda: any(each.event_type == "closed" for each in EVENTS))
    calls = watch.calls
    deck.rename(tmp_path / "deck")
    assert heard(deck)
    assert watch.calls == calls


def test_no_more_renames_are_kept_than_a_service_has_room_for(tmp_path, monkeypatch):
    monkeypatch.setattr(renames, "KEPT", 3)
    told, stamps = Renames(), []
    for number in range(5):
        path = tmp_path / str(number)
        path.write_bytes(HALF)
        told.hear(os.fspath(path))
        stamps.append(Stamp.of(path.lstat()))
    assert [stamp in told for stamp in stamps] == [False, False, True, True, True]
    told.hear(os.fspath(tmp_path / "gone"))
    told.hear("a name that no file can have\0")


def test_a_service_takes_such_a_deck_without_the_wait():
    with house() as made, made.serving():
        box = made.root / "inbox" / "cards"
        data = cards_of(1).rstrip()
        deliver(box / ".deck", box / "deck", data)
        made.done(run_of("deck", data))
