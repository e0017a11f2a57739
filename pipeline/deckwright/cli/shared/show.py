"""What the commands show on a terminal."""

from __future__ import annotations

import os
import sys
from types import TracebackType
from typing import TYPE_CHECKING, Self

import click

if TYPE_CHECKING:
    from deckwright.cli.shared.progress import Bar
    from deckwright.engine.run import Outcome


class Watcher:
    """Shows how far a run is: a line on a terminal, plain lines elsewhere."""

    def __init__(self, unit: str = "cards") -> None:
        self._bar: Bar | None = None
        self._unit = unit
        self._title = ""
        self._tenth = -1

    def __enter__(self) -> Self:
        if sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
            from deckwright.cli.shared.progress import Bar  # noqa: PLC0415 # only on a terminal

            self._bar = Bar(self._unit)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, what: str, done: int, total: int) -> None:
        """Take note of progress."""
        if self._bar is not None:
            self._bar.show(what, done, total)
        elif total and (what != self._title or done * 10 // total > self._tenth):
            self._tenth = done * 10 // total
            click.echo(f"{what}: {done:,} of {total:,} {self._unit}", err=True)
        self._title = what


def summary(outcome: Outcome) -> None:
    """Print the account of a run and where to look."""
    control = outcome.control
    added = int(control["equation"]["added"])  # type: ignore[index] # a table of counts
    plus = f" + {added:,} added" if added else ""
    click.echo(
        f"{outcome.cards:,} cards in{plus} = {outcome.delivered:,} out"
        f" + {outcome.returned:,} returned + {outcome.set_aside:,} set aside",
    )
    for output in control["outputs"]:  # type: ignore[attr-defined] # a list of tables
        click.echo(f"  {outcome.folder / 'out' / output['file']}: {output['rows']:,} rows")
    if outcome.returned:
        click.echo(f"  returned cards and their reasons: {outcome.folder / 'returned'}")
    click.echo(f"  control sheet: {outcome.folder / 'control.html'}")
