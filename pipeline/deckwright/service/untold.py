"""What stands in the ledger and not in the history: the service ended between the two.

A run of which the history holds nothing at all is passed over, since that history was carried away.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Collection
from datetime import date, timedelta

from deckwright.service.outward.logfiles import history_name
from deckwright.service.recovery import Found
from deckwright.service.store.ledger import Ledger
from deckwright.service.store.records import BadRecordError, Manifest, Reasons, load
from deckwright.service.store.tables import Row
from deckwright.service.system.fs import names_in
from deckwright.service.system.places import MANIFEST, REASONS, Workspace

LATEST = 20
"""Runs that are looked up: each is told before the next ends, but a power cut takes a few lines."""

_ENDS = frozenset({"run_done", "deck_returned"})
_REPAIRED = b'"event": "deck_repaired"'
_RUN = re.compile(rb'"run": "([^"\\]+)"')


def add_untold(workspace: Workspace, ledger: Ledger, found: Found) -> None:
    """Add runs of whose end, and repairs of which, nobody was told to what a start found.

    Those that the history tells of already are left out: a power cut takes from the ledger, and not
    from the folders, what was entered last.

    Raises:
        LedgerError
    """
    known = {each.run for each in found.done} | {each.run for each in found.returned}
    told = _told(workspace, ledger, known)
    found.done = [each for each in found.done if each.run not in told]
    found.returned = [each for each in found.returned if each.run not in told]
    ended, found.repairs = untold(workspace, ledger)
    for row in ended:
        home = workspace.root / row.state / row.run
        # a folder that was carried away or is damaged is for others to tell of
        with contextlib.suppress(BadRecordError, OSError):
            if row.run in known:
                continue
            if row.state == "done":
                found.done.append(load(Manifest, home / MANIFEST))
            elif (reasons := load(Reasons, home / REASONS)).entries:
                found.returned.append(reasons)


def _told(workspace: Workspace, ledger: Ledger, runs: Collection[str]) -> set[str]:
    """Return those of some runs whose end stands in the history."""
    rows = [row for row in map(ledger.row, runs) if row is not None]
    since = min((row.taken_at for row in rows), default="")[:10]
    events, _ = _events(workspace, since, set(runs)) if rows else ({}, set())
    return {run for run, names in events.items() if run in runs and names & _ENDS}


def untold(workspace: Workspace, ledger: Ledger) -> tuple[list[Row], list[tuple[str, str]]]:
    """Return what stands in the ledger and not in the history, of the latest ended runs.

    Returns:
        Runs that the history knows of, and not that they have ended; and pairs of a run and the
        done one that repaired it, where it knows of the second and not of the repair.

    Raises:
        LedgerError
    """
    rows = ledger.ended_last(LATEST)
    first = min((row.ended_at for row in rows), default="")[:10]
    try:  # a run may have begun before midnight
        since = (date.fromisoformat(first) - timedelta(days=1)).isoformat()
    except ValueError:
        return [], []
    events, repairs = _events(workspace, since, {row.run for row in rows})
    ended = [row for row in rows if (told := events.get(row.run)) and not told & _ENDS]
    pairs = [
        (row.follows, row.run)
        for row in reversed(rows)
        if row.follows and row.state == "done" and row.run in events
    ]
    return ended, [pair for pair in pairs if pair not in repairs]


def _events(
    workspace: Workspace, since: str, runs: Collection[str]
) -> tuple[dict[str, set[str]], set[tuple[str, str]]]:
    """Return the names of the events of some runs since a day, by run, and the repairs by them."""
    found: dict[str, set[str]] = {}
    repairs: set[tuple[str, str]] = set()
    for name in names_in(workspace.log):
        if not name.startswith("history-") or name < history_name(since):
            continue
        with contextlib.suppress(OSError), (workspace.log / name).open("rb") as file:
            for line in file:
                named = _RUN.search(line)
                run = named[1].decode("ascii", "replace") if named else ""
                if run in runs or _REPAIRED in line:
                    with contextlib.suppress(ValueError, RecursionError):  # cut off by a power cut
                        told = json.loads(line)
                        found.setdefault(run, set()).add(str(told.get("event")))
                        if _REPAIRED in line:
                            repairs.add((run, str(told.get("by"))))
    return found, repairs
