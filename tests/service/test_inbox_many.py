"""Very many decks, and many that cannot be taken: none keeps out another."""

from __future__ import annotations

import os
import sys
import tracemalloc

import pytest

from deckwright.service.inbox import scan
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import Route
from service.inbox_kit import CARD, CARDS, MARKED, Box, make_full_folder, unreadable

# ---- many


def test_many_decks_take_little_memory_and_are_all_taken_in_order(box, monkeypatch):
    monkeypatch.setattr(scan, "KEPT", 100)
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
    monkeypatch.setattr(scan, "KEPT", 100)
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
    monkeypatch.setattr(scan, "KEPT", 60)
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
    monkeypatch.setattr(scan, "KEPT", 50)
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


def _calls(inbox: Inbox) -> int:
    """Return how many calls it takes to ask for what is ready of one deck, and when to ask next."""
    calls = 0

    def count(_frame, event, _argument):
        nonlocal calls
        calls += event == "call"

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        assert inbox.stalled() == []
        assert inbox.next_due() is None
        first = inbox.queues()["job"][0]
        inbox.forget(first)
    finally:
        sys.setprofile(before)
    first.path.unlink()
    return calls


def test_asking_again_and_taking_one_cost_the_same_however_many_decks_wait(tmp_path):
    calls = []
    for many in (10, 1000):
        box = Box(tmp_path / str(many))
        for number in range(many):
            os.utime(box.put(f"{number:05}"), ns=(0, number * 10**6))
        assert len(box.settle()) == many
        calls.append(_calls(box.inbox))
        assert len(box.look()) == many - 1
    assert calls[0] == calls[1]
