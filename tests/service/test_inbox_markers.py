"""Decks that wait for a ready-marker, and every way in which people write decks."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Iterator

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import NotSettledError, open_deck
from deckwright.service.system.clock import Clock
from service.inbox_kit import CARD, CARDS, MARKED, SETTLE, STALL, Box, make_link, unreadable
from service.writers import BY_LEASE, NEVER_EARLY, WAYS, process

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
    from deckwright.service.system.lease import written_to  # noqa: PLC0415 # to be asked first

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
        end = time.monotonic() + 240
        while not taken and time.monotonic() < end:
            box.inbox.scan()
            taken += take(box)
            time.sleep(0.005)
        assert writer.wait(timeout=240) == 0
    finally:
        writer.kill()
        writer.wait()
    assert taken == [deck_bytes(1)]
