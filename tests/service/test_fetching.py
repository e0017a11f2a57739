"""Decks come from elsewhere into the inbox whole, and the original goes only after that."""

from __future__ import annotations

import errno
import hashlib
import os
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.jobs.service import LimitsSpec, ServiceSpec
from deckwright.service import fetching as module
from deckwright.service.fetching import A_ROUND, SETTLE_S, Fetching
from deckwright.service.fs import Fs, SyncError
from deckwright.service.places import Workspace
from deckwright.service.settling import Route
from service import faults
from service.faults import Fault, FaultFs
from service.writers import SetClock

SPEC = ServiceSpec(limits=LimitsSpec(min_free="1 B"))
ROUTE = Route("first", (), None, require_marker=False)
DECK = b"X" * 80 + b"\n"
ERRORS = ["ENOSPC", "EIO", "EACCES", "EROFS", "EMFILE", "ESTALE"]


class KilledError(BaseException):
    """Stands for the end of the process, so that one test can cut off many."""


class CutFs(FaultFs):
    """Counts and fails steps; where it would end the process, it raises."""

    @override
    def die(self) -> None:
        raise KilledError


class Scene:
    """A share, a workspace, and the fetching between them."""

    def __init__(self, root: Path, spec: ServiceSpec = SPEC, route: Route = ROUTE) -> None:
        self.share = root / "share"
        self.share.mkdir()
        self.workspace = Workspace(root / "service")
        self.inbox = self.workspace.inbox / "first"
        self.inbox.mkdir(parents=True)
        self.workspace.tmp.mkdir()
        self.spec, self.route = spec, route
        self.clock = SetClock()
        self.begin()

    def begin(self, fs: Fs | None = None) -> None:
        """Begin as a freshly started service does."""
        self.fetching = Fetching(
            self.share, "first", self.route, self.workspace, self.spec, fs or Fs(), self.clock
        )

    def drop(self, name: str, data: bytes = DECK) -> Path:
        path = self.share / name
        path.write_bytes(data)
        return path

    def pass_time(self, seconds: float) -> list[str]:
        """Let time pass, second by second; return what was told."""
        told = []
        for _ in range(int(seconds)):
            told += self.fetching.round()
            self.clock.time += 1
        return told + self.fetching.round()

    def fetch(self) -> list[str]:
        return self.pass_time(3 * SETTLE_S)

    def lies(self, folder: Path) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}

    def take(self) -> list[bytes]:
        """Take all decks out of the inbox, as the service does."""
        taken = list(self.lies(self.inbox).values())
        for path in self.inbox.iterdir():
            path.unlink()
        return taken


@pytest.fixture
def scene(tmp_path) -> Scene:
    return Scene(tmp_path)


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


NAMES = st.binary(min_size=1, max_size=255).filter(
    lambda name: not {0, ord("/")} & set(name) and name not in {b".", b".."}
)


@given(st.lists(NAMES, max_size=5, unique=True))
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


# ---- cut off and failed at every step

CONTENTS = {"a": b"one", "b": b"two" * 100_000, "c": b"three"}


def filled(root: Path) -> Scene:
    scene = Scene(root)
    for name, data in CONTENTS.items():
        scene.drop(name, data)
    return scene


def steps_of(root: Path) -> list[str]:
    scene, fs = filled(root), FaultFs()
    scene.begin(fs)
    scene.fetch()
    return fs.trace


@pytest.mark.parametrize("how", ["before", "after", "empty", "half"])
@pytest.mark.parametrize("taken_at_once", [False, True])
def test_cut_off_at_any_step_no_deck_is_lost_and_at_most_one_comes_twice(
    how, taken_at_once, room
) -> None:
    for number, step in enumerate(steps_of(room()), 1):
        if how in {"empty", "half"} and not faults.is_written(step.split()[0]):
            continue
        scene = filled(room())
        scene.begin(CutFs(Fault("kill", number, how)))
        with pytest.raises(KilledError):
            scene.fetch()
        assert scene.lies(scene.inbox).items() <= CONTENTS.items()
        taken = scene.take() if taken_at_once else []
        scene.begin()
        scene.fetch()
        taken += scene.take()
        scene.fetch()
        count = Counter(taken + scene.take())
        assert set(count) == set(CONTENTS.values())
        assert count.total() <= len(CONTENTS) + 1
        assert scene.lies(scene.share) == scene.lies(scene.workspace.tmp) == {}


@pytest.mark.parametrize("lasting", [False, True])
@pytest.mark.parametrize("code", ERRORS)
def test_failed_at_any_step_and_healed_no_deck_is_lost(code, lasting, room) -> None:
    steps = len(steps_of(room()))
    for number in range(1, steps + 1):
        scene = filled(room())
        scene.begin(FaultFs(Fault("err", number, code, lasting)))
        told, taken = [], []
        try:
            told = scene.fetch()
            taken = scene.take()  # what the inbox has is taken while the fault lasts
            told += scene.fetch()
        except SyncError:
            told = ["the service begins again"]
        assert scene.lies(scene.inbox).items() <= CONTENTS.items()
        if lasting and number <= steps - 2:  # the rest is the flush of the share
            assert told
        taken += scene.take()
        scene.begin()
        scene.fetch()
        count = Counter(taken + scene.take())
        assert set(count) == set(CONTENTS.values())
        # only what could not be removed comes again, and that only after a new start
        assert max(count.values()) <= 2
        assert scene.lies(scene.share) == scene.lies(scene.workspace.tmp) == {}


def test_a_flush_of_the_inbox_that_fails_begins_the_service_again(scene) -> None:
    scene.drop("a")
    scene.begin(FaultFs(Fault("err", 5, "EIO")))
    with pytest.raises(SyncError):
        scene.fetch()
    assert scene.lies(scene.share) == {"a": DECK}


def test_a_flush_of_a_copy_that_fails_is_not_tried_again_on_it(scene) -> None:
    scene.drop("a")
    fs = FaultFs(Fault("err", 2, "EIO"))
    scene.begin(fs)
    [told] = scene.fetch()
    assert "could not be fetched" in told
    names = [step.split()[0] for step in fs.trace]
    assert names[:4] == ["copy_new", "flush", "unlink", "copy_new"]
    assert scene.lies(scene.inbox) == {"a": DECK}


# ---- the share


def test_a_share_that_is_away_is_told_once_and_served_when_it_is_back(scene) -> None:
    scene.drop("a")
    away = scene.share.rename(scene.share.with_name("away"))
    told = scene.fetch() + scene.fetch()
    assert told == [f"{scene.share} cannot be read: no such file or directory"]
    away.rename(scene.share)
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {"a": DECK}
    scene.share.rename(scene.share.with_name("away"))
    assert len(scene.fetch()) == 1


def test_from_a_share_that_may_not_be_written_nothing_is_fetched(scene, monkeypatch) -> None:
    scene.drop("a")
    monkeypatch.setattr(module.os, "access", lambda *_: False)
    told = scene.fetch()
    assert told == [f"{scene.share} may not be written, so no deck is fetched from it"]
    monkeypatch.undo()
    assert scene.fetch() == []
    assert scene.lies(scene.inbox) == {"a": DECK}


def test_what_cannot_be_removed_is_not_fetched_time_and_again(scene) -> None:
    class Stuck(Fs):
        @override
        def unlink(self, path: Path) -> None:
            if path.parent == scene.share:
                raise OSError(errno.EPERM, "Operation not permitted")
            super().unlink(path)

    scene.begin(Stuck())
    path = scene.drop("a")
    told = scene.fetch()
    assert "was fetched and cannot be removed: operation not permitted" in told[0]
    assert scene.take() == [DECK]
    told += scene.fetch()
    assert len(told) == 2
    assert scene.take() == []
    path.write_bytes(b"another")  # that is another deck
    scene.fetch()
    assert scene.take() == [b"another"]


def test_without_room_in_the_workspace_decks_stay_and_come_when_there_is_room(tmp_path) -> None:
    scene = Scene(tmp_path, SPEC.model_copy(update={"limits": LimitsSpec(min_free="900000 GiB")}))
    scene.drop("a")
    told = scene.fetch() + scene.fetch()
    assert len(told) == 1
    assert "waits for room in the workspace" in told[0]
    scene.spec = SPEC
    scene.begin()
    scene.fetch()
    assert scene.take() == [DECK]


def test_names_are_told_escaped(scene) -> None:
    (scene.share / "a\x1b[31m\n").mkdir()
    [told] = scene.fetch()
    assert "a\\x1b[31m\\n is a folder" in told
    assert told.isprintable()


def test_no_descriptor_stays_open(scene) -> None:
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 # names are enough
    scene.drop("a")
    (scene.inbox / "b").write_bytes(b"")
    scene.drop("b")
    scene.fetch()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208 # names are enough
