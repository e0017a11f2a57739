"""What a run may leave behind in its process, looked at before and after."""

from __future__ import annotations

import contextlib
import locale
import os
import signal
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field

from deckwright.service.store.records import Amount, Record

# threads and descriptors that the frame library starts when it first needs them, and keeps
_OF_LIBRARIES = (b"polars-", b"tokio-", b"jemalloc_bg_thd", b"async-")
_LONGEST_NAME = 64
_POLLS = "anon_inode:"


class Rest(Record):
    """A worker waits for an order.

    left: what the last run left behind, empty when nothing. plain: all runs used no code but that
    of the program itself. resident: bytes of memory in use.
    """

    kind: Literal["rest"] = "rest"
    left: Annotated[list[Annotated[str, Field(max_length=40)]], Field(max_length=20)] = Field(
        default_factory=list
    )
    plain: bool = True
    resident: Amount = 0


@dataclass(frozen=True, slots=True)
class Traces:
    """The state of this process that outlasts a run."""

    folder: str
    umask: int
    descriptors: dict[int, str]
    threads: Counter[str]
    children: bool
    environment: dict[str, str]
    modules: tuple[str, ...]
    signals: tuple[object, ...]
    timer: bool
    locale: str

    @classmethod
    def look(cls) -> Self:
        """Return the state now; children that have ended are forgotten."""
        mask = os.umask(0)
        os.umask(mask)
        return cls(
            folder=_folder(),
            umask=mask,
            descriptors=_descriptors(),
            threads=_threads(),
            children=_has_children(),
            environment=dict(os.environ),
            modules=tuple(sys.path),
            signals=tuple(map(signal.getsignal, (signal.SIGTERM, signal.SIGINT, signal.SIGALRM))),
            timer=signal.getitimer(signal.ITIMER_REAL)[0] > 0,
            locale=locale.setlocale(locale.LC_ALL),
        )

    def differences(self, before: Traces) -> list[str]:
        """Return what is not as it was, by name. Children count whenever there are any."""
        names = [name for name in self.__slots__ if getattr(self, name) != getattr(before, name)]
        if self.children and "children" not in names:
            names.append("children")
        return names


def resident() -> int:
    """Return the bytes of memory that this process has in use; 0 where the system does not say."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")
    return 0


def _folder() -> str:
    try:
        return os.getcwd()  # noqa: PTH109 # as text
    except OSError:
        return ""


def _descriptors() -> dict[int, str]:
    found = {}
    for name in os.listdir("/proc/self/fd"):  # noqa: PTH208 # names only
        with contextlib.suppress(OSError):
            # fails for the one through which this very listing was read
            target = os.readlink(f"/proc/self/fd/{name}")  # noqa: PTH115 # as text
            if not target.startswith(_POLLS):
                found[int(name)] = target
    return found


def _threads() -> Counter[str]:
    names: Counter[str] = Counter()
    for task in os.listdir("/proc/self/task"):  # noqa: PTH208 # names only
        with contextlib.suppress(OSError):
            descriptor = os.open(f"/proc/self/task/{task}/comm", os.O_RDONLY | os.O_CLOEXEC)
            try:
                name = os.read(descriptor, _LONGEST_NAME).strip()
            finally:
                os.close(descriptor)
            if not name.startswith(_OF_LIBRARIES):
                names[os.fsdecode(name)] += 1
    return names


def _has_children() -> bool:
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
        return True
    return False
