"""Every step on the file system that the service takes, one method a step.

A test counts, fails or cuts off any of them in a subclass; the program itself has no hook.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from functools import cache
from pathlib import Path

_AT_FDCWD = -100
_RENAME_NOREPLACE = 1
_FOLDER_MODE = 0o750
_FILE_MODE = 0o640
_BLOCK = 1 << 20
_SYNC_FILE_RANGE_WRITE = 2
_BEGUN_AT_ONCE = 64  # files open while they are flushed
_NOT_OFFERED = frozenset({errno.ENOSYS, errno.EINVAL, errno.EPERM, errno.ESPIPE})

NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EACCES,
                     errno.EPERM, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM})  # fmt: skip
"""What the place says when it cannot take more now: the deck is not at fault."""


class SyncError(OSError):
    """A flush to disk failed: what was written must be taken as lost, and never flushed again."""


class Fs:
    """The steps. Paths are bytes or `Path`; names may be any that the system allows."""

    def make_folder(self, path: Path) -> None:
        """Make a folder (mode 0750).

        Raises:
            FileExistsError: there is something of this name.
        """
        path.mkdir(_FOLDER_MODE)

    def write_new(self, path: Path, data: bytes) -> None:
        """Write a file that must not exist (mode 0640), and flush it to disk.

        Raises:
            FileExistsError, SyncError, OSError
        """
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _FILE_MODE)
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(descriptor, view) :]
            self.flush(descriptor)
        finally:
            os.close(descriptor)

    def write_hint(self, path: Path, data: bytes) -> None:
        """Write a file that must not exist and may be lost."""
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _FILE_MODE)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)

    def copy_new(self, source: Path, target: Path) -> None:
        """Copy a file to a name that must not exist (mode 0640), and flush it to disk.

        Raises:
            FileExistsError, SyncError, OSError
        """
        with source.open("rb") as file:
            descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _FILE_MODE)
            try:
                while block := file.read(_BLOCK):
                    view = memoryview(block)
                    while view:
                        view = view[os.write(descriptor, view) :]
                self.flush(descriptor)
            finally:
                os.close(descriptor)

    def flush(self, descriptor: int) -> None:
        """Flush an open file or folder to disk.

        Raises:
            SyncError: it may never be tried again on this file.
        """
        try:
            os.fsync(descriptor)
        except OSError as error:
            raise SyncError(error.errno, os.strerror(error.errno or 0)) from error

    def sync_file(self, path: Path) -> None:
        """Flush a file to disk: its bytes and its size.

        Raises:
            SyncError, OSError
        """
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
        try:
            self.flush(descriptor)
        finally:
            os.close(descriptor)

    def sync_folder(self, path: Path) -> None:
        """Flush the entries of a folder to disk.

        Raises:
            SyncError, OSError
        """
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            self.flush(descriptor)
        finally:
            os.close(descriptor)

    def rename_new(self, source: Path, target: Path) -> None:
        """Rename; never replace what stands at the target.

        Raises:
            FileExistsError: something stands there.
        """
        rename_new(source, target)

    def replace(self, source: Path, target: Path) -> None:
        """Put a file in the place of another in one step. For the current master, and hints."""
        source.replace(target)

    def link(self, source: Path, target: Path) -> None:
        """Give a file a further name, which must not exist.

        Raises:
            FileExistsError: something stands there.
        """
        os.link(source, target)

    def symlink(self, target: str, path: Path) -> None:
        """Make a symbolic link that must not exist. For hints only.

        Raises:
            FileExistsError: there is something of this name.
        """
        path.symlink_to(target)

    def unlink(self, path: Path) -> None:
        """Remove a file that the service itself has made."""
        path.unlink()

    def remove_folder(self, path: Path) -> None:
        """Remove an empty folder."""
        path.rmdir()

    # reading changes nothing and is not a step

    def read(self, path: Path, most: int = 64 << 20) -> bytes:
        """Return the bytes of a regular file; symbolic links are not followed.

        Raises:
            OSError: it is none, is larger than `most`, or cannot be read.
        """
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            status = os.fstat(descriptor)
            if not stat.S_ISREG(status.st_mode) or status.st_size > most:
                raise OSError(errno.EFBIG, "is not a regular file of a fitting size", str(path))
            return file.read()

    def remove_tree(self, path: Path) -> None:
        """Remove a folder with all that the service or a worker has made in it, deepest first."""
        for entry in list(os.scandir(path)):
            inner = Path(entry.path)
            if entry.is_dir(follow_symlinks=False):
                with contextlib.suppress(OSError):
                    inner.chmod(0o700)
                self.remove_tree(inner)
            else:
                self.unlink(inner)
        self.remove_folder(path)

    def sync_tree(self, path: Path) -> None:
        """Flush every file below a folder and every folder, the folder itself last.

        All files first, and of each the writing is begun before the first is waited for: so the
        disk works on them at once, and the first flush takes most of the others with it.

        Raises:
            SyncError, OSError
        """
        folders, files = [path], []
        for folder in folders:  # which grows meanwhile
            with os.scandir(folder) as entries:
                for entry in entries:
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(Path(entry.path))
                    elif not entry.is_dir():
                        files.append(entry.path)
        for first in range(0, len(files), _BEGUN_AT_ONCE):
            self._sync_files(files[first : first + _BEGUN_AT_ONCE])
        for folder in reversed(folders):
            self.sync_folder(folder)

    def _sync_files(self, files: list[str]) -> None:
        # open all the while: a descriptor hears of every error after it was opened
        descriptors: list[int] = []
        try:
            for file in files:
                descriptors.append(os.open(file, os.O_RDONLY | os.O_NOFOLLOW))
                _begin_writing(descriptors[-1])
            for descriptor in descriptors:
                self.flush(descriptor)
        finally:
            for descriptor in descriptors:
                os.close(descriptor)


def _begin_writing(descriptor: int) -> None:
    """Let the system write an open file to the disk from now on; only a flush is sure of it.

    Raises:
        SyncError: it cannot be written.
    """
    begun = _library().sync_file_range
    nothing = ctypes.c_int64(0)  # from the start, up to the end
    if begun(descriptor, nothing, nothing, _SYNC_FILE_RANGE_WRITE):
        code = ctypes.get_errno()
        if code not in _NOT_OFFERED:
            raise SyncError(code, os.strerror(code))


def rename_new(source: Path, target: Path) -> None:
    """Rename with RENAME_NOREPLACE.

    Raises:
        FileExistsError: something stands at the target.
        OSError: anything else, also a file system that lacks the flag.
    """
    before, after = os.fsencode(source), os.fsencode(target)
    if _library().renameat2(_AT_FDCWD, before, _AT_FDCWD, after, _RENAME_NOREPLACE):
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code), str(target))


@cache
def _library() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def digest_of(descriptor: int) -> tuple[int, str]:
    """Return size and SHA-256 (hex) of an open file, read from its start."""
    os.lseek(descriptor, 0, os.SEEK_SET)
    size, digest = 0, hashlib.sha256()
    while block := os.read(descriptor, _BLOCK):
        size += len(block)
        digest.update(block)
    return size, digest.hexdigest()


def digest_of_file(path: Path | str) -> tuple[int, str]:
    """Return size and SHA-256 (hex) of a regular file; links are not followed.

    Raises:
        OSError: it is none, or cannot be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "is not a regular file", str(path))
        return digest_of(descriptor)
    finally:
        os.close(descriptor)


def names_in(path: Path) -> Iterator[str]:
    """Yield the names in a folder; none where there is no folder."""
    with contextlib.suppress(FileNotFoundError), os.scandir(path) as entries:
        yield from [entry.name for entry in entries]
