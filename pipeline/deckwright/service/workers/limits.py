"""What a worker process does to itself before it loads anything: its limits and its ties.

Runs in the worker. Nothing heavy is imported here, so that a process is bound to its parent from
its first milliseconds on.
"""

from __future__ import annotations

import contextlib
import ctypes
import math
import os
import resource
import signal
import sys
import time
from pathlib import Path

from deckwright.service.workers.processes import become_subreaper

_PR_SET_PDEATHSIG = 1
_OOM_MORE, _OOM_MOST = 500, 1000
_UMASK = 0o027
ORPHANED = 71
"""Exit code of a worker whose parent ended before it was bound to it."""


def bind_to_parent(parent: int) -> None:
    """End with the parent, however it ends. The tie is to the thread that started this process."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(ORPHANED)


def set_limits(*, file: int, open_files: int, nice: int = 0) -> None:
    """Take the limits that hold for the life of the process.

    Args:
        file: bytes of the longest file that may be written.
        open_files: descriptors.
        nice: by how much to yield to others.
    """
    become_subreaper()  # so that what a plugin starts stays below this process
    os.umask(_UMASK)
    if nice:
        os.nice(nice)
    with contextlib.suppress(OSError, ValueError):
        score = Path("/proc/self/oom_score_adj")
        score.write_text(str(min(_OOM_MOST, int(score.read_text()) + _OOM_MORE)))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    _lower(resource.RLIMIT_NOFILE, open_files)
    _lower(resource.RLIMIT_FSIZE, file)


def limit_run(memory: int, cpu_s: int) -> None:
    """Take the limits of one run: address space, and processor time from now on in seconds."""
    _lower(resource.RLIMIT_AS, memory)
    _lower(resource.RLIMIT_CPU, math.ceil(time.process_time()) + cpu_s)


def free_input() -> int:
    """Return standard input under another number, and give the process an empty one.

    So a plugin that reads its standard input finds an end there, and not the next order.
    """
    orders = os.dup(0)  # not inherited by what plugins start
    empty = os.open(os.devnull, os.O_RDONLY)
    os.dup2(empty, 0)
    os.close(empty)
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115 # stays open
    return orders


def _lower(what: int, wanted: int) -> None:
    """Set a soft limit, never above the hard one, which stays for the next run."""
    _, hard = resource.getrlimit(what)
    fitting = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    resource.setrlimit(what, (fitting, hard))
