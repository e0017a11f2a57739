"""A run folder is flushed whole: every file, every folder, and an error at any of them is heard."""

from __future__ import annotations

import ctypes
import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.service.system import fs as steps
from deckwright.service.system.fs import Fs, SyncError

NAMES = st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=3)


class Flushes(Fs):
    """Remembers what was flushed; fails at the n-th."""

    def __init__(self, failing: int = 0) -> None:
        self.failing, self.flushed = failing, list[Path]()

    def flush(self, descriptor: int) -> None:
        self.flushed.append(Path(f"/proc/self/fd/{descriptor}").readlink())
        if len(self.flushed) == self.failing:
            raise SyncError(errno.EIO, "injected")
        super().flush(descriptor)


def tree(root: Path, places: list[list[str]], many: int = 0) -> set[Path]:
    """Make a file at each place, and so many more; return all files and folders."""
    root.mkdir()
    for place in places:
        path = root.joinpath(*place[:-1], f"{place[-1]}.txt")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"cards")
    for number in range(many):
        (root / f"more-{number}").write_bytes(b"cards")
    return {root, *root.rglob("*")}


@given(st.lists(NAMES, max_size=8), st.sampled_from([0, 1, 63, 64, 65, 130]))
@settings(max_examples=25, deadline=None)
def test_every_file_and_folder_is_flushed_once_and_a_folder_after_what_lies_in_it(
    tmp_path_factory, places, many
) -> None:
    root = tmp_path_factory.mktemp("flush").resolve() / "out"
    wanted, fs = tree(root, places, many), Flushes()
    fs.sync_tree(root)
    assert len(fs.flushed) == len(set(fs.flushed))
    assert set(fs.flushed) == wanted
    for place, path in enumerate(fs.flushed):
        if path.is_dir():
            assert not any(path in later.parents for later in fs.flushed[place:])


@pytest.mark.parametrize("failing", range(1, 9))
def test_a_flush_that_fails_ends_it_and_leaves_nothing_open(tmp_path, failing) -> None:
    root = tmp_path.resolve() / "out"
    wanted = tree(root, [["a"], ["a", "b"], ["a", "b", "c"], ["c", "a"]])
    assert len(wanted) == 8
    before = set(Path("/proc/self/fd").iterdir())
    fs = Flushes(failing)
    with pytest.raises(SyncError):
        fs.sync_tree(root)
    assert len(fs.flushed) == failing
    assert set(Path("/proc/self/fd").iterdir()) == before


def begun(monkeypatch: pytest.MonkeyPatch, answer: Callable[[int], int]) -> None:
    """Let the system answer so when the writing of a file is to begin."""

    class Library:
        @staticmethod
        def sync_file_range(descriptor: int, *_: Any) -> int:
            ctypes.set_errno(answer(descriptor))
            return -1 if ctypes.get_errno() else 0

    monkeypatch.setattr(steps, "_library", Library)


@pytest.mark.parametrize("name", ["EIO", "ENOSPC", "EDQUOT"])
def test_a_file_that_cannot_be_written_out_is_never_flushed(tmp_path, monkeypatch, name) -> None:
    root = tmp_path.resolve() / "out"
    tree(root, [["a"], ["b"]])
    begun(monkeypatch, lambda _: getattr(errno, name))
    fs = Flushes()
    with pytest.raises(SyncError) as caught:
        fs.sync_tree(root)
    assert caught.value.errno == getattr(errno, name)
    assert fs.flushed == []


@pytest.mark.parametrize("name", ["ENOSYS", "EPERM", "EINVAL", "ESPIPE"])
def test_where_writing_cannot_be_begun_ahead_all_is_flushed_the_same(
    tmp_path, monkeypatch, name
) -> None:
    root = tmp_path.resolve() / "out"
    wanted = tree(root, [["a"], ["b", "a"]])
    begun(monkeypatch, lambda _: getattr(errno, name))
    fs = Flushes()
    fs.sync_tree(root)
    assert set(fs.flushed) == wanted


def test_the_writing_of_all_files_is_begun_before_one_is_waited_for(tmp_path, monkeypatch) -> None:
    root = tmp_path.resolve() / "out"
    tree(root, [["a"], ["b", "a"], ["c"]])
    fs, seen = Flushes(), []

    def answer(descriptor: int) -> int:
        seen.append((Path(f"/proc/self/fd/{descriptor}").readlink(), len(fs.flushed)))
        return 0

    begun(monkeypatch, answer)
    fs.sync_tree(root)
    assert {path for path, _ in seen} == {path for path in root.rglob("*") if path.is_file()}
    assert {flushed for _, flushed in seen} == {0}
