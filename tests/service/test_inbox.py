"""What the inbox takes for a settled deck, what it leaves, and what it lists."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    rule,
)

from deckwright.jobs.service import LimitsSpec
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import LINKED_S, NotSettledError, open_deck
from service.inbox_kit import CARD, CARDS, SETTLE, STALL, Box
from service.writers import SetClock

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
