"""Fetching that is cut off or fails at any step, and shares that are away: no deck is lost."""

from __future__ import annotations

import errno
import os
from collections import Counter
from pathlib import Path

import pytest
from typing_extensions import override

from deckwright.jobs.service import LimitsSpec
from deckwright.service.inbox import fetching as module
from deckwright.service.system.fs import Fs, SyncError
from service import faults
from service.faults import Fault, FaultFs
from service.fetch_kit import DECK, ERRORS, SPEC, CutFs, KilledError, Scene

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
