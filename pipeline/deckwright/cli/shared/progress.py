"""How far a run is, as one line of a terminal that is written over again."""

from __future__ import annotations

import shutil
import sys
import time

from deckwright.cli.shared.terminal import ascii_only
from deckwright.wording import percent

_A_WHILE_S = 0.1
_COLUMNS = 40
"""Columns of the bar where there is room: half of those of a card."""


def progress_line(
    what: str, done: int, total: int, *, width: int, unit: str = "cards", plain: bool = False
) -> str:
    """Return the line: a row of columns, punched as far as the work has come, and the counts.

    Args:
        what: what is being done.
        done: how many cards are.
        total: of how many; 0 where that is not known.
        width: characters of the line at most.
        unit: what is counted.
        plain: in ASCII.
    """
    counts = f"{done:,} of {total:,} {unit}" if total else f"{done:,} {unit}"
    share = min(1.0, done / total) if total else 0.0
    tail = f"{counts}  {percent(share)}" if total else counts
    room = min(_COLUMNS, width - len(what) - len(tail) - 4)
    if room < 8 or not total:  # noqa: PLR2004 # too few columns to show anything
        return f"{what}  {tail}"[: max(1, width)]
    punched = int(share * room)
    hole, none = ("#", ".") if plain else ("\u25ae", "\u00b7")
    return f"{what}  {hole * punched}{none * (room - punched)}  {tail}"


class Bar:
    """The line on the error output."""

    def __init__(self, unit: str = "cards") -> None:
        self._unit, self._shown, self._length = unit, 0.0, 0
        self._plain = ascii_only()

    def show(self, what: str, done: int, total: int) -> None:
        """Write the line over the one before, not too often."""
        now = time.monotonic()
        if now - self._shown < _A_WHILE_S and done < total:
            return
        self._shown = now
        width = shutil.get_terminal_size().columns - 1
        line = progress_line(what, done, total, width=width, unit=self._unit, plain=self._plain)
        self._write(line)

    def stop(self) -> None:
        """Take the line away."""
        if self._length:
            self._write("")

    def _write(self, line: str) -> None:
        sys.stderr.write(f"\r{line.ljust(self._length)}" + ("" if line else "\r"))
        sys.stderr.flush()
        self._length = len(line)
