"""The run folder: built aside, shown whole or not at all."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from deckwright.errors import OutputError, StageError

_AT_FDCWD = -100
_RENAME_NOREPLACE = 1


@contextmanager
def run_folder(target: Path) -> Iterator[Path]:
    """Give a work folder beside the target; when all went well its `run` becomes the target.

    Raises:
        OutputError: the target exists, or its parent cannot be written.
    """
    if os.path.lexists(target):
        raise OutputError(str(target), "exists already; name another folder or move it away")
    try:
        work = Path(
            tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".unfinished", dir=target.parent)
        )
    except OSError as error:
        raise OutputError(str(target), f"cannot be made: {_why(error)}") from error
    try:
        for part in ("", "/journal", "/out", "/returned", "/set-aside", "/config"):
            os.mkdir(f"{work}/run{part}")  # noqa: PTH102 # one for each small deck: quick
        yield work
        (work / "run").chmod(0o777 & ~_umask())
        rename_new(work / "run", target)
    except OSError as error:
        if error.errno in {
            errno.EFBIG,
            errno.ENOSPC,
            errno.EDQUOT,
            errno.EROFS,
            errno.EACCES,
            errno.EIO,
            errno.EMFILE,
        }:
            raise OutputError(
                str(target), f"cannot be written: {_why(error)}; the deck is untouched"
            ) from error
        raise
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(work)


_FULL = frozenset({errno.EFBIG, errno.ENOSPC, errno.EDQUOT, errno.EIO})
_IN_TEXT = re.compile(r"\(os error (\d{1,4})\)\s*$")
"""How libraries that know no numbers of errors name them at the end of a sentence."""


@contextmanager
def plugin_that_writes() -> Iterator[None]:
    """Have a full disk told as such, though it was a plugin that met it while it wrote a file.

    Raises:
        OSError: there is no room.
    """
    try:
        yield
    except StageError as error:
        code = _system_code(error.__cause__)
        if code not in _FULL:
            raise
        raise OSError(code, os.strerror(code)) from error


def _system_code(error: BaseException | None) -> int:
    if isinstance(error, OSError) and error.errno:
        return error.errno
    found = _IN_TEXT.search(str(error))
    return int(found[1]) if found else 0


def rename_new(source: Path, target: Path) -> None:
    """Rename without ever replacing what stands at the target.

    Raises:
        OutputError: the target has come into being meanwhile.
    """
    rename = getattr(_library(), "renameat2", None)
    if rename is None:  # not Linux: the check before is the best there is
        if os.path.lexists(target):
            raise OutputError(str(target), "exists already; name another folder or move it away")
        source.rename(target)
        return
    failed = rename(
        _AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), _RENAME_NOREPLACE
    )
    if failed:
        code = ctypes.get_errno()
        if code == errno.EEXIST:
            raise OutputError(str(target), "exists already; name another folder or move it away")
        if code == errno.EINVAL and not os.path.lexists(target):  # a file system without the flag
            source.rename(target)
            return
        raise OSError(code, os.strerror(code), str(target))


@cache
def _library() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _why(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
