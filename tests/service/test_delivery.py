"""A delivery is in its place once, whole and right, however often and wherever it was cut off."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.jobs.service import DeliverSpec
from deckwright.service.outward.delivery import copy_name, deliver, place_of, unfit_place, wanted
from deckwright.service.store.records import DeckFacts, FileFacts, Manifest
from deckwright.service.system.fs import Fs, SyncError
from deckwright.service.system.places import FOLDERS, Workspace
from service import faults
from service.faults import Fault, FaultFs
from strategies import RUN_NAMES

RUN = "0123456789abcdef-fedcba-1"
FILES = {
    "movements.csv": b"card,item\r\n1,1002007\r\n" * 40,
    "movements.csv.schema.json": b"{}\n",
    "deck.bin": bytes(range(256)) * 5000,
    "empty.txt": b"",
}
ERRORS = ["ENOSPC", "EIO", "EACCES", "EROFS", "EMFILE", "ESTALE"]


class KilledError(BaseException):
    """Stands for the end of the process, so that one test can cut off many."""


class CutFs(FaultFs):
    """Counts and fails steps; where it would end the process, it raises."""

    @override
    def die(self) -> None:
        raise KilledError


class Scene:
    """A workspace with a done run, and a folder elsewhere."""

    def __init__(self, root: Path, files: dict[str, bytes] | None = None) -> None:
        self.workspace = Workspace(root / "service")
        self.place = root / "office"
        self.place.mkdir()
        self.contents = FILES if files is None else files
        self.home = self.workspace.done / RUN / "out" / "out"
        self.home.mkdir(parents=True)
        self.files = []
        for name, data in self.contents.items():
            (self.home / name).write_bytes(data)
            digest = hashlib.sha256(data).hexdigest()
            self.files.append(FileFacts(name=f"out/out/{name}", size=len(data), sha256=digest))

    def deliver(self, fs: Fs | None = None) -> list[str]:
        """Deliver all files; return what was wrong with each that is not there."""
        made = deliver(fs or Fs(), self.workspace, RUN, self.files, self.place)
        assert [each.name for each in made] == list(self.contents)
        return [each.problem for each in made if each.problem]

    def there(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in self.place.iterdir()}

    def expected(self) -> dict[str, bytes]:
        return {f"{RUN}-{name}": data for name, data in self.contents.items()}


@pytest.fixture
def scene(tmp_path) -> Scene:
    return Scene(tmp_path)


def steps_of(scene: Scene) -> list[str]:
    fs = FaultFs()
    scene.deliver(fs)
    for path in scene.place.iterdir():
        path.unlink()
    return fs.trace


# ---- as it should go


def test_each_delivery_is_copied_once_and_again_makes_no_difference(scene) -> None:
    for _ in range(3):
        assert scene.deliver() == []
        assert scene.there() == scene.expected()
    assert all(path.stat().st_mode & 0o137 == 0 for path in scene.place.iterdir())
    assert {path.name: path.read_bytes() for path in scene.home.iterdir()} == FILES


def test_every_copy_is_flushed_before_it_has_its_name_and_the_folder_after_all(scene) -> None:
    names = [step.split()[0] for step in steps_of(scene)]
    assert names == ["copy_new", "flush", "rename_new"] * len(FILES) + ["sync_folder", "flush"]


def test_a_copy_that_stands_there_is_flushed_again_before_it_counts(scene) -> None:
    scene.deliver()
    fs = FaultFs()
    scene.deliver(fs)
    assert [step.split()[0] for step in fs.trace] == ["sync_folder", "flush"]


NAMES = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,40}", fullmatch=True)


@pytest.mark.slow
@settings(deadline=None)
@given(st.lists(st.tuples(RUN_NAMES, NAMES), unique=True, max_size=20), RUN_NAMES, st.data())
def test_no_two_deliveries_of_any_runs_have_one_name(pairs, run, data) -> None:
    # also names that look like the end of a run's name
    number = run.rpartition("-")[2]
    pairs += [(run, f"{number}-x"), (run[: -len(number)] + number + "1", "x")]
    made = {copy_name(*pair) for pair in pairs}
    assert len(made) == len(set(pairs))


# ---- cut off and failed at every step


@pytest.mark.parametrize("how", ["before", "after", "empty", "half"])
def test_cut_off_at_any_step_and_begun_again_the_same_files_stand_there(how, room) -> None:
    steps = steps_of(Scene(room()))
    for number, name in enumerate(steps, 1):
        if how in {"empty", "half"} and not faults.is_written(name.split()[0]):
            continue
        scene = Scene(room())
        with pytest.raises(KilledError):
            scene.deliver(CutFs(Fault("kill", number, how)))
        seen = {k: v for k, v in scene.there().items() if not k.startswith(".")}
        assert seen.items() <= scene.expected().items()  # a reader never sees half a file
        assert scene.deliver() == []
        assert scene.there() == scene.expected()


@pytest.mark.parametrize("lasting", [False, True])
@pytest.mark.parametrize("code", ERRORS)
def test_failed_at_any_step_and_healed_the_same_files_stand_there(code, lasting, room) -> None:
    steps = steps_of(Scene(room()))
    for number in range(1, len(steps) + 1):
        scene = Scene(room())
        with pytest.raises(OSError, match=r".") as caught:
            scene.deliver(FaultFs(Fault("err", number, code, lasting)))
        assert caught.value.errno == getattr(errno, code)
        seen = {k: v for k, v in scene.there().items() if not k.startswith(".")}
        assert seen.items() <= scene.expected().items()
        assert scene.deliver() == []
        assert scene.there() == scene.expected()


CUTS = st.tuples(st.integers(1, 14), st.sampled_from(["before", "after", "half"]))


@settings(max_examples=60, deadline=None)
@given(st.lists(CUTS, max_size=5))
def test_cut_off_time_and_again_the_same_files_stand_there(room, cuts) -> None:
    scene = Scene(room())
    for number, how in cuts:
        try:
            scene.deliver(CutFs(Fault("kill", number, how)))
        except KilledError:
            continue
    assert scene.deliver() == []
    assert scene.there() == scene.expected()


def test_a_copy_that_found_no_room_takes_none(scene) -> None:
    class Full(Fs):
        @override
        def copy_new(self, source: Path, target: Path) -> None:
            target.write_bytes(source.read_bytes()[:10])
            raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        scene.deliver(Full())
    assert scene.there() == {}


def test_a_failed_flush_is_not_tried_again_on_the_same_file(scene) -> None:
    fs = FaultFs(Fault("err", 2, "EIO"))
    with pytest.raises(SyncError):
        scene.deliver(fs)
    assert [step.split()[0] for step in fs.trace] == ["copy_new", "flush", "unlink"]


# ---- the place


def test_a_place_that_is_away_is_waited_for(scene) -> None:
    away = scene.place.rename(scene.place.with_name("away"))
    for _ in range(2):
        with pytest.raises(FileNotFoundError):
            scene.deliver()
        assert not scene.place.exists()
    away.rename(scene.place)
    assert scene.deliver() == []
    assert scene.there() == scene.expected()


def test_a_place_that_goes_away_in_the_midst_is_waited_for(room) -> None:
    count = len(steps_of(Scene(room())))
    for number in range(1, count + 1):
        scene = Scene(room())

        class Leaving(FaultFs):
            scene: Scene

            @override
            def step(self, name: str, given: tuple[Any, ...]) -> Any:
                if self.steps + 1 == number:  # noqa: B023 # called within this round
                    self.scene.place.rename(self.scene.place.with_name("away"))
                return super().step(name, given)

        leaving = Leaving()
        leaving.scene = scene
        if not _ends(scene, leaving):
            scene.place.with_name("away").rename(scene.place)
        assert scene.deliver() == []
        assert scene.there() == scene.expected()


def _ends(scene: Scene, fs: Fs) -> bool:
    """Deliver; return whether all is there, in a place that was reached to the end."""
    try:
        scene.deliver(fs)
    except OSError:
        return False
    if not scene.place.exists():
        scene.place.with_name("away").rename(scene.place)
    return True


class PlainRename(Fs):
    """A share that knows no rename that never replaces, and no flush of folders."""

    @override
    def rename_new(self, source: Path, target: Path) -> None:
        raise OSError(errno.EINVAL, "Invalid argument")

    @override
    def sync_folder(self, path: Path) -> None:
        raise SyncError(errno.EINVAL, "Invalid argument")


def test_a_share_with_plain_renames_only_is_served(scene) -> None:
    assert scene.deliver(PlainRename()) == []
    assert scene.there() == scene.expected()


def test_on_such_a_share_nothing_is_replaced_either(scene) -> None:
    target = scene.place / f"{RUN}-movements.csv"

    class Late(PlainRename):
        @override
        def copy_new(self, source: Path, target: Path) -> None:
            super().copy_new(source, target)
            if not late.exists():
                late.write_bytes(b"of somebody else")

    late = target
    with pytest.raises(FileExistsError):
        scene.deliver(Late())
    assert scene.there() == {target.name: b"of somebody else"}


def test_what_somebody_else_put_there_is_told_and_not_touched(scene) -> None:
    other = scene.place / f"{RUN}-movements.csv"
    other.write_bytes(b"of somebody else")
    (scene.place / f"{RUN}-deck.bin").mkdir()
    (scene.place / f"{RUN}-empty.txt").symlink_to(other)
    before = other.read_bytes()
    problems = scene.deliver()
    assert [each.partition(": ")[0].rpartition("/")[2] for each in problems] == [
        f"{RUN}-movements.csv has other bytes than the run left; move it away",
        f"{RUN}-deck.bin is not a file; move it away",
        f"{RUN}-empty.txt is not a file; move it away",
    ]
    assert other.read_bytes() == before
    assert (scene.place / f"{RUN}-movements.csv.schema.json").read_bytes() == b"{}\n"
    other.unlink()
    (scene.place / f"{RUN}-deck.bin").rmdir()
    (scene.place / f"{RUN}-empty.txt").unlink()
    assert scene.deliver() == []
    assert scene.there() == scene.expected()


def test_beginnings_of_others_are_left_alone(scene) -> None:
    (scene.place / f".{RUN}-movements.csv.part").write_bytes(b"own, cut off")
    (scene.place / ".other.part").write_bytes(b"of somebody else")
    assert scene.deliver() == []
    assert scene.there() == {**scene.expected(), ".other.part": b"of somebody else"}


# ---- the run


@pytest.mark.parametrize("damage", ["changed", "gone"])
def test_a_delivery_that_is_not_what_the_run_left_is_not_passed_on(damage, scene) -> None:
    path = scene.home / "movements.csv"
    path.write_bytes(b"changed") if damage == "changed" else path.unlink()
    said = "other bytes than the run left" if damage == "changed" else "is not there any more"
    [problem] = scene.deliver()
    assert said in problem
    expected = scene.expected()
    del expected[f"{RUN}-movements.csv"]
    assert scene.there() == expected


def test_a_name_too_long_for_a_copy_is_told(tmp_path) -> None:
    name = "x" * 240
    scene = Scene(tmp_path, {name: b"1", "short": b"2"})
    assert scene.deliver() == ["its name is too long for the folder for deliveries"]
    assert scene.there() == {f"{RUN}-short": b"2"}


def manifest(*names: str) -> Manifest:
    files = [FileFacts(name=name, size=0, sha256="0" * 64) for name in names]
    deck = DeckFacts(name="61", shown="a", size=1, sha256="0" * 64)
    return Manifest(run=RUN, job="first", deck=deck, config="0" * 64, versions={}, counts={},
                    files=files)  # fmt: skip


def test_deliveries_are_the_files_of_the_innermost_folder_only() -> None:
    found = manifest("deck", "out/control.json", "out/out/b.csv", "out/out/a.csv",
                     "out/returned/b.csv", "out/out/deep/c.csv")  # fmt: skip
    files, missing = wanted(found, DeliverSpec(to="x"))
    assert [facts.name for facts in files] == ["out/out/a.csv", "out/out/b.csv"]
    assert missing == []
    files, missing = wanted(found, DeliverSpec(to="x", files=["b.csv", "c.csv", "control.json"]))
    assert [facts.name for facts in files] == ["out/out/b.csv"]
    assert missing == ["c.csv", "control.json"]


def test_places_that_are_the_services_own_are_unfit(tmp_path) -> None:
    workspace = Workspace(tmp_path / "service")
    for name in FOLDERS:
        (workspace.root / name).mkdir(parents=True)
    (tmp_path / "link").symlink_to(workspace.done)
    for own in [*FOLDERS, "done/x", ".", "../service/work", "../link", str(workspace.inbox)]:
        assert unfit_place(workspace, DeliverSpec(to=own)), own
    for other in ["deliveries", "../office", str(tmp_path / "office"), "donex"]:
        assert unfit_place(workspace, DeliverSpec(to=other)) == ""
    assert place_of(workspace, DeliverSpec(to="deliveries")) == workspace.root / "deliveries"
    assert place_of(workspace, DeliverSpec(to="/office")) == Path("/office")


def test_no_descriptor_stays_open(scene) -> None:
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 # names are enough
    scene.deliver()
    scene.deliver()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208 # names are enough
