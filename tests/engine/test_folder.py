"""The run folder appears whole or not at all, and never in the place of another."""

from __future__ import annotations

import ctypes
import errno
import os
from types import SimpleNamespace

import pytest

from deckwright.engine.closing import folder
from deckwright.engine.closing.folder import rename_new, run_folder
from deckwright.errors import OutputError


def renames(code: int) -> SimpleNamespace:
    """Return a system whose call for renaming without replacing fails."""

    def fail(*_: object) -> int:
        ctypes.set_errno(code)
        return -1

    return SimpleNamespace(renameat2=fail)


SYSTEMS = {"this": None, "without the call": SimpleNamespace(), "unable": renames(errno.EINVAL)}


@pytest.fixture(params=SYSTEMS)
def system(request, monkeypatch) -> str:
    """Rename as this system does, as one without the call, as a file system that cannot."""
    given = SYSTEMS[request.param]
    if given is not None:
        monkeypatch.setattr(folder, "_library", lambda: given)  # asked for once a process
    return request.param


def test_the_folder_stands_whole_and_nothing_beside_it(tmp_path, system) -> None:
    before = os.umask(0o027)
    try:
        with run_folder(tmp_path / "run") as work:
            assert not (tmp_path / "run").exists()
            (work / "run" / "out" / "cards").write_bytes(b"A")
            (work / "scrap").write_bytes(b"B")
    finally:
        os.umask(before)
    assert [path.name for path in tmp_path.iterdir()] == ["run"]
    assert (tmp_path / "run" / "out" / "cards").read_bytes() == b"A"
    assert (tmp_path / "run").stat().st_mode & 0o777 == 0o750, system


def test_what_came_into_being_meanwhile_is_not_replaced(tmp_path, system) -> None:
    another = tmp_path / "elsewhere"
    another.mkdir()
    (another / "another").touch()
    with pytest.raises((OutputError, OSError)) as caught, run_folder(tmp_path / "run"):
        another.rename(tmp_path / "run")
    assert [path.name for path in tmp_path.iterdir()] == ["run"]
    assert [path.name for path in (tmp_path / "run").iterdir()] == ["another"]
    if system != "unable":
        assert "exists already; name another folder or move it away" in str(caught.value)


@pytest.mark.parametrize("kind", ["file", "folder", "link to nothing"])
def test_what_stands_there_is_refused_before_any_work(tmp_path, kind) -> None:
    target = tmp_path / "run"
    {
        "file": target.touch,
        "folder": target.mkdir,
        "link to nothing": lambda: target.symlink_to("nowhere"),
    }[kind]()
    with pytest.raises(OutputError, match="exists already"), run_folder(target):
        pytest.fail("there is nothing to do")
    assert [path.name for path in tmp_path.iterdir()] == ["run"]


def test_where_no_folder_can_be_made_that_is_said(tmp_path) -> None:
    with (
        pytest.raises(OutputError, match="cannot be made: no such file or directory"),
        run_folder(tmp_path / "missing" / "run"),
    ):
        pytest.fail("there is nowhere to work")


@pytest.mark.parametrize("name", ["EFBIG", "ENOSPC", "EDQUOT", "EROFS", "EACCES", "EIO", "EMFILE"])
def test_where_the_run_cannot_be_written_the_sentence_says_why(tmp_path, name) -> None:
    code = getattr(errno, name)
    why = f"cannot be written: {os.strerror(code).lower()}; the deck is untouched"
    with pytest.raises(OutputError, match=why), run_folder(tmp_path / "run"):
        raise OSError(code, os.strerror(code))
    assert list(tmp_path.iterdir()) == []


def test_other_faults_pass_as_they_are_and_leave_nothing(tmp_path) -> None:
    for fault in (OSError(errno.ENOENT, "gone"), ValueError("odd")):
        with pytest.raises(type(fault)) as caught, run_folder(tmp_path / "run"):
            raise fault
        assert caught.value is fault
        assert list(tmp_path.iterdir()) == []


def test_a_failure_of_the_system_keeps_its_number(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(folder, "_library", lambda: renames(errno.EXDEV))
    (tmp_path / "from").mkdir()
    with pytest.raises(OSError, match="link") as caught:
        rename_new(tmp_path / "from", tmp_path / "to")
    assert (caught.value.errno, caught.value.filename) == (errno.EXDEV, str(tmp_path / "to"))
    assert [path.name for path in tmp_path.iterdir()] == ["from"]
