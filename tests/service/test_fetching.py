"""Decks come from elsewhere into the inbox whole, and the original goes only after that."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.jobs.service import LimitsSpec
from deckwright.service.inbox import fetching as module
from deckwright.service.inbox.fetching import A_ROUND, SETTLE_S
from deckwright.service.inbox.settling import OPEN_END, Route
from deckwright.service.system.fs import Fs
from service.faults import Fault, FaultFs
from service.fetch_kit import DECK, SPEC, CutFs, KilledError, Scene
from strategies import FILE_NAMES

# ---- as it should go


def test_a_settled_deck_comes_into_the_inbox_and_the_original_goes(scene) -> None:
    scene.drop("week 23.txt")
    assert scene.pass_time(SETTLE_S - 1) == []
    assert scene.lies(scene.inbox) == {}
    assert scene.fetching.waiting == 1
    assert scene.pass_time(2) == []
    assert scene.lies(scene.inbox) == {"week 23.txt": DECK}
    assert scene.lies(scene.share) == scene.lies(scene.workspace.tmp) == {}
    scene.fetch()
    assert scene.fetching.waiting == 0


@given(st.lists(FILE_NAMES, max_size=5, unique=True))
@settings(max_examples=40, deadline=None)
def test_a_file_of_any_name_comes_with_its_name(room, names) -> None:
    spec = SPEC.model_copy(update={"ignore": []})
    scene = Scene(room(), spec)
    for name in names:
        (scene.share / os.fsdecode(name)).write_bytes(name)
    scene.fetch()
    assert {os.fsencode(n): data for n, data in scene.lies(scene.inbox).items()} == {
        name: name for name in names
    }
    assert list(scene.share.iterdir()) == []


def test_the_copy_is_flushed_and_named_before_the_original_goes(scene) -> None:
    fs = FaultFs()
    scene.begin(fs)
    scene.drop("a")
    scene.fetch()
    names = [step.split()[0] for step in fs.trace]
    assert names == ["copy_new", "flush", "rename_new", "sync_folder", "flush", "unlink",
                     "sync_folder", "flush"]  # fmt: skip
    assert fs.trace[3].split()[1] == str(scene.inbox)
    assert fs.trace[5].split()[1] == str(scene.share / "a")


def test_oldest_decks_come_first_and_some_at_a_time(scene) -> None:
    for number in range(2 * A_ROUND + 3):
        path = scene.drop(f"{number:03}")
        os.utime(path, ns=(1000 - number, 1000 - number))
    scene.fetching.round()
    scene.clock.time += SETTLE_S + 1
    scene.fetching.round()
    oldest = range(A_ROUND + 3, 2 * A_ROUND + 3)
    assert sorted(scene.lies(scene.inbox)) == [f"{number:03}" for number in oldest]
    assert scene.fetching.next_due() <= scene.clock.time
    scene.fetching.round()
    scene.fetching.round()
    assert len(scene.lies(scene.inbox)) == 2 * A_ROUND + 3


def test_of_very_many_files_only_the_oldest_are_kept_in_mind(scene, monkeypatch) -> None:
    monkeypatch.setattr(module, "MOST", 5)
    for number in range(40):
        scene.drop(f"{number:03}")
    scene.fetching.round()
    assert len(scene.fetching._known) == 5  # noqa: SLF001 # what bounds the memory
    scene.pass_time(20 * SETTLE_S)
    assert len(scene.lies(scene.inbox)) == 40


# ---- what is not settled


def test_a_deck_that_still_grows_stays_until_it_does_not(scene) -> None:
    path = scene.drop("a", b"")
    for _ in range(20):
        with path.open("ab") as file:
            file.write(DECK)
        scene.pass_time(SETTLE_S - 1)
        assert scene.lies(scene.inbox) == {}
    scene.fetch()
    assert scene.lies(scene.inbox) == {"a": DECK * 20}


def test_a_deck_that_changes_while_it_is_copied_stays(scene) -> None:
    path = scene.drop("a")

    class Writing(Fs):
        @override
        def copy_new(self, source: Path, target: Path) -> None:
            super().copy_new(source, target)
            with path.open("ab") as file:
                file.write(DECK)

    scene.begin(Writing())
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == scene.lies(scene.workspace.tmp) == {}
    scene.begin()
    scene.fetch()
    assert scene.lies(scene.inbox) == {"a": DECK * 3}


def test_a_deck_replaced_after_it_was_copied_is_not_removed(scene) -> None:
    path = scene.drop("a", b"first")

    class Replacing(Fs):
        @override
        def rename_new(self, source: Path, target: Path) -> None:
            super().rename_new(source, target)
            path.unlink()
            path.write_bytes(b"second")

    scene.begin(Replacing())
    scene.fetch()
    assert scene.lies(scene.inbox) == {"a": b"first"}
    assert scene.lies(scene.share) == {"a": b"second"}
    scene.take()
    scene.begin()
    scene.fetch()
    assert scene.take() == [b"second"]


def test_a_deck_that_is_open_for_writing_stays(scene) -> None:
    path = scene.drop("a")
    with path.open("ab"):
        scene.fetch()
        assert scene.lies(scene.inbox) == {}
    scene.fetch()
    assert scene.lies(scene.inbox) == {"a": DECK}


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (0, "is empty"),
        (81 * 80, ""),
        (81 * 80 - 1, "ends inside card 80: 80 of 81 bytes are there"),
    ],
)
def test_a_deck_that_is_not_whole_is_told_and_stays(size, said, tmp_path) -> None:
    spec = SPEC.model_copy(update={"stall_s": 100.0})
    scene = Scene(tmp_path, spec, Route("first", (), 81, require_marker=False))
    scene.drop("a", b"X" * size)
    told = scene.pass_time(300)
    assert len(scene.lies(scene.inbox)) == (not said)
    assert [said in each for each in told] == [True] * bool(said)


def test_what_is_no_deck_for_the_job_stays_without_a_word(tmp_path) -> None:
    scene = Scene(tmp_path, route=Route("first", ("*.txt",), None, require_marker=False))
    for name in (".hidden.txt", "half.txt.part", "picture.png"):
        scene.drop(name)
    scene.drop("good.txt")
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {"good.txt": DECK}
    assert len(scene.lies(scene.share)) == 3


def test_what_is_no_file_is_told_once_and_left(scene) -> None:
    outside = scene.share.with_name("outside")
    outside.write_bytes(DECK)
    (scene.share / "link").symlink_to(outside)
    (scene.share / "folder").mkdir()
    os.mkfifo(scene.share / "pipe")
    scene.drop("good")
    told = scene.fetch() + scene.fetch()
    assert sorted(each.rpartition("/")[2].split()[0] for each in told) == ["folder", "link", "pipe"]
    assert scene.lies(scene.inbox) == {"good": DECK}
    assert outside.read_bytes() == DECK


def test_a_deck_larger_than_the_limit_is_told_and_left(tmp_path) -> None:
    limits = LimitsSpec(min_free="1 B", deck="1 KB")
    scene = Scene(tmp_path, SPEC.model_copy(update={"limits": limits}))
    scene.drop("a", b"X" * 1001)
    [told] = scene.fetch()
    assert "has 1,001 bytes; decks of up to 1,000 bytes are taken; it is left there" in told
    assert scene.lies(scene.inbox) == {}


# ---- markers


def marked(root: Path) -> Scene:
    return Scene(root, route=Route("first", (), None, require_marker=True))


@pytest.mark.parametrize("suffix", [".ok", ".sha256"])
def test_a_deck_with_a_marker_comes_with_it_and_never_without(suffix, tmp_path) -> None:
    scene = marked(tmp_path)
    scene.drop("a")
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {}
    mark = hashlib.sha256(DECK).hexdigest().encode()
    scene.drop(f"a{suffix}", mark)
    fs = FaultFs()
    scene.begin(fs)
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {"a": DECK, f"a{suffix}": mark}
    assert scene.lies(scene.share) == {}
    renamed = [step.split()[2] for step in fs.trace if step.startswith("rename_new")]
    assert renamed == [str(scene.inbox / f"a{suffix}"), str(scene.inbox / "a")]


def test_a_deck_and_its_marker_come_once_wherever_it_is_cut_off(room) -> None:
    first = marked(room())
    first.drop("a")
    first.drop("a.ok", b"")
    fs = FaultFs()
    first.begin(fs)
    first.fetch()
    for number in range(1, len(fs.trace) + 1):
        for how in ("before", "after"):
            scene = marked(room())
            scene.drop("a")
            scene.drop("a.ok", b"")
            scene.begin(CutFs(Fault("kill", number, how)))
            with pytest.raises(KilledError):
                scene.fetch()
            # the inbox never has a deck that waits for a marker
            assert "a" not in scene.lies(scene.inbox) or "a.ok" in scene.lies(scene.inbox)
            taken = [DECK] if "a" in scene.lies(scene.inbox) else []
            if taken:
                scene.take()
            scene.begin()
            scene.fetch()
            taken += [data for data in scene.take() if data]
            assert set(taken) == {DECK}
            assert len(taken) <= 2
            assert scene.lies(scene.share).keys() <= {"a.ok"}


def test_a_marker_of_another_deck_in_the_inbox_is_told(tmp_path) -> None:
    scene = marked(tmp_path)
    scene.drop("a")
    scene.drop("a.sha256", b"0" * 64)
    (scene.inbox / "a.sha256").write_bytes(b"1" * 64)
    told = scene.fetch()
    assert len(told) == 1
    assert "could not be fetched: file exists" in told[0]
    assert scene.lies(scene.share) == {"a": DECK, "a.sha256": b"0" * 64}
    assert scene.lies(scene.inbox) == {"a.sha256": b"1" * 64}


# ---- decks that end inside a line

HALF = DECK + b"half a ca"
DIGEST = hashlib.sha256(HALF).hexdigest().encode()


def half_deck(root: Path) -> Scene:
    """Give a share with a deck of lines that ends inside one, for a job that needs no marker."""
    scene = Scene(root, route=Route("first", (), None, require_marker=False, longest=80))
    scene.drop("a", HALF)
    return scene


@pytest.mark.parametrize(("suffix", "mark"), [(".ok", b""), (".sha256", DIGEST + b"  a\n")])
def test_a_marker_that_nobody_needs_says_that_a_deck_is_whole(suffix, mark, tmp_path) -> None:
    scene = half_deck(tmp_path)
    scene.drop(f"a{suffix}", mark)
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {"a": HALF}
    assert scene.lies(scene.share) == {f"a{suffix}": mark}


@pytest.mark.parametrize(
    ("suffix", "mark"),
    [("", b""), (".ok", b""), (".sha256", b"0" * 64), (".sha256", b"none"), (".sha256", b"")],
)
def test_a_marker_of_another_deck_says_nothing_of_one_that_ends_inside_a_line(
    suffix, mark, tmp_path
) -> None:
    scene = half_deck(tmp_path)
    if suffix:
        os.utime(scene.drop(f"a{suffix}", mark), (1, 1))  # older than the deck
    (told,) = scene.fetch()
    assert told.endswith(f"a {OPEN_END}")
    assert scene.lies(scene.inbox) == {}
    scene.pass_time(scene.spec.stall_s)
    assert scene.lies(scene.inbox) == {"a": HALF}


# ---- names


def test_a_name_that_waits_in_the_inbox_is_told_once_and_comes_when_it_is_free(scene) -> None:
    (scene.inbox / "a").write_bytes(b"of another")
    scene.drop("a")
    told = scene.fetch() + scene.fetch()
    assert len(told) == 1
    assert "/a bears a name that a deck in the inbox has; it is left there" in told[0]
    assert scene.lies(scene.inbox) == {"a": b"of another"}
    scene.take()
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {"a": DECK}
    scene.drop("a")  # the same trouble later is told again
    assert len(scene.fetch()) == 1


def test_a_name_taken_in_the_last_moment_is_not_replaced(scene) -> None:
    class Late(Fs):
        @override
        def copy_new(self, source: Path, target: Path) -> None:
            super().copy_new(source, target)
            (scene.inbox / "a").write_bytes(b"of another")

    scene.begin(Late())
    scene.drop("a")
    scene.fetch()
    assert scene.lies(scene.inbox) == {"a": b"of another"}
    assert scene.lies(scene.share) == {"a": DECK}
    assert scene.lies(scene.workspace.tmp) == {}
