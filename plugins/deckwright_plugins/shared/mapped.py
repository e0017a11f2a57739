"""Work files that are mapped: all processes share the bytes, and large ones leave memory again."""

from __future__ import annotations

import mmap
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

KEPT = 16 * 2**20
"""Bytes up to which what is mapped stays in memory between two trays."""

Item = TypeVar("Item", bound=np.generic)


def mapped(path: Path) -> NDArray[Any]:
    """Return the array of a work file, mapped."""
    array: NDArray[Any] = np.load(path, mmap_mode="r")
    return array


def drop(arrays: Iterable[NDArray[Any]]) -> None:
    """Let the pages of mapped arrays go from this process; they are mapped again when needed.

    Pages that stay count as memory of the run, though the system could take them at any time.
    """
    for array in arrays:
        base: object = array.base
        if isinstance(base, mmap.mmap):
            base.madvise(mmap.MADV_DONTNEED)


def rows_by_stretches(array: NDArray[Item], rows: NDArray[np.integer]) -> NDArray[Item]:
    """Return these rows of a large mapped array; KEPT bytes of it are in memory at most."""
    found = np.empty((len(rows), *array.shape[1:]), array.dtype)
    stretch = max(1, KEPT * len(array) // array.nbytes)
    order = np.argsort(rows, kind="stable")
    parts = np.searchsorted(rows[order], np.arange(stretch, len(array), stretch))
    for places in np.split(order, parts):
        if len(places):
            found[places] = array[rows[places]]
            drop([array])
    return found
