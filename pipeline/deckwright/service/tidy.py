"""Clearing up: the one place where ended runs are removed, on an operator's word and never else."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from deckwright.jobs.service import ServiceSpec
from deckwright.service.clock import Clock
from deckwright.service.fs import Fs
from deckwright.service.ledger import Ledger
from deckwright.service.places import Workspace, shown
from deckwright.service.tables import Row
from deckwright.service.verify import verify

LIST = "tidied.csv"
_HEAD = ("run", "state", "job", "deck", "deck_sha256", "cards", "taken_at", "ended_at",
         "removed_at", "accepted_by")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Candidate:
    """An ended run that is old enough. kept: why it stays all the same; empty = it may go."""

    row: Row
    kept: str
    size: int


def candidates(workspace: Workspace, ledger: Ledger, spec: ServiceSpec, clock: Clock, *,
               days: float, state: str) -> Iterator[Candidate]:  # fmt: skip
    """Yield runs that ended longer ago, oldest first, each looked at byte by byte.

    Kept are: runs that differ from their manifest, the last run of a master, runs to which bytes
    came late, and runs whose copies are not delivered yet.

    Args:
        workspace: where.
        ledger: knows when runs ended; read only.
        spec: says which jobs deliver copies.
        clock: tells the time.
        days: ended at least so many days ago.
        state: `done` or `returned`.
    """
    before = datetime.fromisoformat(clock.now()) - timedelta(days=days)
    limit = before.isoformat(timespec="microseconds")
    last = {row.run for lane in _lanes(workspace) if (row := ledger.last_of_lane(lane))}
    for row in ledger.rows(state):
        home = workspace.root / state / row.run
        if row.ended_at and row.ended_at <= limit and home.is_dir():
            differences = [each for _, found in verify(workspace, row.run) for each in found]
            kept = ""
            if differences:
                kept = f"{differences[0].place} {differences[0].what}"
            elif row.run in last:
                kept = "it left the present master"
            elif row.late:
                kept = "bytes came late to its deck; look at its later run first"
            elif state == "done" and spec.job(row.job).deliver and not row.delivered:
                kept = "its copies are not delivered yet"
            yield Candidate(row, kept, _size(home))


def _lanes(workspace: Workspace) -> list[str]:
    return sorted(path.name for path in workspace.master.iterdir() if path.is_dir())


def _size(home: os.PathLike[str]) -> int:
    return sum(
        os.lstat(os.path.join(place, name)).st_size  # noqa: PTH118 # walk gives text
        for place, _, names in os.walk(home)
        for name in names
    )


def remove(
    workspace: Workspace, fs: Fs, clock: Clock, candidate: Candidate, accepted_by: str
) -> None:
    """Remove a run; first enter it, with who accepted its result, in the list of removed runs.

    The ledger goes on to know it, so that the same deck is still recognised.

    Raises:
        OSError: it is not removed, or only in part; call again.
    """
    row = candidate.row
    line = (row.run, row.state, row.job, shown(row.name), row.sha256, row.cards, row.taken_at,
            row.ended_at, clock.now(), accepted_by)  # fmt: skip
    path = workspace.root / LIST
    text = io.StringIO()
    writer = csv.writer(text)
    if not path.exists():
        writer.writerow(_HEAD)
    writer.writerow(line)
    with path.open("ab") as file:
        file.write(text.getvalue().encode())
        file.flush()
        fs.flush(file.fileno())
    # out of sight first: a cut leaves no half run among the done ones
    aside = workspace.tmp / f"tidied-{row.run}"
    fs.rename_new(workspace.root / row.state / row.run, aside)
    fs.sync_folder(workspace.root / row.state)
    fs.remove_tree(aside)
