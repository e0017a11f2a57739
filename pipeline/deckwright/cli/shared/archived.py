"""Run folders on the command line: one that was archived is read from its archive."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def readable_run(run: Path) -> Iterator[Path]:
    """Yield a folder that can be read in place of a run folder, which may be archived."""
    if run.exists():
        yield run
        return
    from deckwright.service.operate.archive import readable  # noqa: PLC0415 # seldom needed

    with readable(run) as folder:
        yield folder
