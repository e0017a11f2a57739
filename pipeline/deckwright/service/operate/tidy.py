"""Clearing up: the one place where ended runs are removed, on an operator's word and never else."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

from deckwright.jobs.service import ServiceSpec
from deckwright.service.operate.archive import MOST, archived, seal
from deckwright.service.operate.status import places_of_runs
from deckwright.service.operate.verify import check_run
from deckwright.service.outward.byname import unlink
from deckwright.service.outward.logfiles import history_name
from deckwright.service.store.ledger import Ledger
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.places import DECK, MANIFEST, Workspace, shown

LIST = "tidied.csv"
_SIZE = re.compile(rb'"size": ([0-9]{1,19})\b')
_LARGEST = 64 << 20
_HEAD = ("run", "state", "job", "deck", "deck_sha256", "cards", "taken_at", "ended_at",
         "removed_at", "accepted_by", "archive")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Candidate:
    """An ended run that is old enough. kept: why it stays all the same; empty = it may go."""

    row: Row
    kept: str
    size: int


def candidates(workspace: Workspace, ledger: Ledger, spec: ServiceSpec, clock: Clock, *,
               days: float, state: str) -> Iterator[Candidate]:  # fmt: skip
    """Yield runs that ended longer ago, oldest first.

    Kept are: runs whose deck was written to, the last run of a master, runs to which bytes came
    late, and runs whose copies are not delivered yet. No file is hashed here; see `differs`.

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
    job = cache(spec.job)
    last = {row.run for lane in _lanes(workspace) if (row := ledger.last_of_lane(lane))}
    for row in ledger.rows(state):
        if not row.ended_at or row.ended_at > limit:
            continue
        home = f"{workspace.root}/{state}/{row.run}"
        try:
            deck = os.lstat(f"{home}/{DECK}").st_size
        except OSError:
            if not os.path.isdir(home):  # noqa: PTH112 # carried away, which is anyone's right
                continue
            deck = -1
        kept = ""
        if deck != row.size and row.code not in {"damaged", "late-bytes"}:
            kept = f"{state}/{row.run}/{DECK} is not the deck that was taken"
        elif row.run in last:
            kept = "it left the present master"
        elif row.late:
            kept = "bytes came late to its deck; look at its later run first"
        elif state == "done" and job(row.job).deliver and not row.delivered:
            kept = "its copies are not delivered yet"
        yield Candidate(row, kept, _size(home, max(0, deck)))


def differs(workspace: Workspace, candidate: Candidate) -> str:
    """Return what differs in a run from what it left, every byte read; empty = nothing."""
    found = check_run(workspace, candidate.row.state, candidate.row.run)
    return f"{found[0].place} {found[0].what}" if found else ""


def _lanes(workspace: Workspace) -> list[str]:
    return sorted(path.name for path in workspace.master.iterdir() if path.is_dir())


def _size(home: str, deck: int) -> int:
    """Return the bytes of a run as its manifest tells them; a look at every file takes long."""
    try:
        with open(f"{home}/{MANIFEST}", "rb") as file:  # noqa: PTH123 # text is faster
            data = file.read(_LARGEST)
    except OSError:  # a returned deck has none
        return deck
    return sum(map(int, _SIZE.findall(data))) + len(data)


def archive(
    workspace: Workspace, fs: Fs, clock: Clock, runs: Sequence[Candidate], accepted_by: str
) -> list[Path]:
    """Seal runs into archives and remove their folders; return the archives.

    A run that an archive holds already, after a cut, is only removed.

    Raises:
        ArchiveError, OSError: what was not archived stays where it is; call again.
    """
    packed = archived(workspace)
    fresh = [each for each in runs if each.row.run not in packed]
    made = []
    for begin in range(0, len(fresh), MOST):
        some = [
            (each.row.state, each.row.run, each.row.job) for each in fresh[begin : begin + MOST]
        ]
        path = seal(workspace, fs, clock, some, accepted_by)
        made.append(path)
        packed |= {run: path for _, run, _ in some}
    for each in runs:
        remove(workspace, fs, clock, each, accepted_by, packed[each.row.run].name)
    return made


def remove(workspace: Workspace, fs: Fs, clock: Clock, candidate: Candidate, accepted_by: str,
           archive: str = "") -> None:  # fmt: skip
    """Remove a run; first enter it, with who accepted its result, in the list of removed runs.

    The ledger goes on to know it, so that the same deck is still recognised.

    Raises:
        OSError: it is not removed, or only in part; call again.
    """
    row = candidate.row
    line = (row.run, row.state, row.job, shown(row.name), row.sha256, row.cards, row.taken_at,
            row.ended_at, clock.now(), accepted_by, archive)  # fmt: skip
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
    unlink(workspace, fs, row)
    # out of sight first: a cut leaves no half run among the done ones
    aside = workspace.tmp / f"tidied-{row.run}"
    fs.rename_new(workspace.root / row.state / row.run, aside)
    fs.sync_folder(workspace.root / row.state)
    fs.remove_tree(aside)


def drop_histories(workspace: Workspace, fs: Fs, ledger: Ledger) -> None:
    """Remove the histories of days on which no run was taken that is still there."""
    rows = ledger.rows("waiting", "running", "hold", "done", "returned")
    there = places_of_runs(workspace).keys() | archived(workspace).keys()
    kept = min((row.taken_at[:10] for row in rows if row.run in there), default="")
    for name in sorted(names_in(workspace.log)):
        if name.startswith("history-") and kept and name < history_name(kept):
            fs.unlink(workspace.log / name)
