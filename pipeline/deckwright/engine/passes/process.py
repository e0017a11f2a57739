"""Settings of a process that runs tasks."""

from __future__ import annotations

import ctypes
import gc
from functools import cache

_M_TRIM_THRESHOLD, _M_TOP_PAD, _M_MMAP_THRESHOLD = -1, -2, -3
_MIB = 2**20
_OBJECTS = 50_000


@cache
def tune_allocator() -> None:
    """Let freed arrays be used again instead of going back to the system tray after tray.

    Without it every tray's arrays are mapped, zeroed page by page and unmapped again, a fifth of
    the time of a run. Objects made so far are kept out of garbage collection; trays make few.
    Done once for a process. Does nothing where the C library has no mallopt.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_OBJECTS)
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_M_MMAP_THRESHOLD, 32 * _MIB)
        mallopt(_M_TRIM_THRESHOLD, 256 * _MIB)
        mallopt(_M_TOP_PAD, 16 * _MIB)


def look_through_all() -> None:
    """Look for garbage among all objects, also those kept out of collection; keep the rest out."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()
