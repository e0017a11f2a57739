"""The start: from what lies in the folders to a workspace in which every deck has one state.

It may be cut off at any step and begun again.
"""

from __future__ import annotations

import contextlib
import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

from deckwright.service.operate.archive import ArchiveError, archives, ends_in
from deckwright.service.runs.ends import SERVICE_ENDED, Ends
from deckwright.service.store.checking import deck_state
from deckwright.service.store.generations import LaneStoppedError
from deckwright.service.store.masters import Lanes
from deckwright.service.store.records import (
    BadRecordError,
    Claim,
    DeckFacts,
    Manifest,
    ReasonEntry,
    Reasons,
    load,
)
from deckwright.service.store.spool import Spool
from deckwright.service.system.places import CLAIM, DECK, MANIFEST, REASONS, runs_in

_NOWHERE = "0" * 64


@dataclass(slots=True)
class Found:
    """What a start found. problems: sentences for log and health."""

    waiting: int = 0
    resumed: list[str] = field(default_factory=list)
    back_in_inbox: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    done: list[Manifest] = field(default_factory=list)
    returned: list[Reasons] = field(default_factory=list)
    """Runs that had ended when the service did, and of which it had not told yet."""
    repairs: list[tuple[str, str]] = field(default_factory=list)
    """Runs that another one repaired, and that, where nobody was told of it yet."""
    stopped_lanes: dict[str, str] = field(default_factory=dict)


def recover(spool: Spool, lanes: Lanes) -> Found:
    """Put every deck into the state that its folder says, and the ledger with it.

    Raises:
        OSError: no room or no right to work here.
        RestartError, LedgerError: begin again.
    """
    found = Found()
    _flush(spool)
    for name in os.listdir(spool.workspace.tmp):  # noqa: PTH208 # names only
        path = spool.workspace.tmp / name
        folder = path.is_dir() and not path.is_symlink()  # never what a link leads to
        spool.fs.remove_tree(path) if folder else spool.fs.unlink(path)
    _ended(spool, found)
    _archived(spool, found)
    _held(spool, found)
    running = [row.run for row in spool.ledger.rows("running")]
    for run in runs_in(spool.workspace.work):
        _waiting(spool, run, found)
    # last, since an end that was entered twice would speak against a deck
    Ends(spool.workspace, spool.fs, spool.ledger, spool.clock).enter(running)
    _vanished(spool)
    _lanes(spool, lanes, found)
    return found


def _flush(spool: Spool) -> None:
    """Make permanent what the folders show: a kill may have come between a rename and its flush."""
    places = spool.workspace
    masters = [path for path in sorted(places.master.iterdir()) if path.is_dir()]
    ended = (places.done, places.returned)
    for folder in (places.inbox, places.work, places.hold, *ended, places.master, *masters):
        spool.fs.sync_folder(folder)


def _waiting(spool: Spool, run: str, found: Found) -> None:
    home = spool.workspace.work / run
    spool.fs.sync_folder(home)  # its deck may have come from the inbox, or gone there, a moment ago
    if not os.path.lexists(home / DECK):
        spool.fs.remove_tree(home)
        return
    try:
        claim = load(Claim, home / CLAIM)
        if claim.run != run:
            claim = _unknown(run, home)
        state = deck_state(home / DECK, claim)
    except BadRecordError:
        claim, state = _unknown(run, home), "other"
    if state == "longer" and spool.back_to_inbox(claim):
        found.back_in_inbox.append(run)
        return
    if state != "same":
        spool.ledger.add(claim, 0)
        spool.give_back(claim, [_damage(state)])
        found.damaged.append(run)
        return
    spool.reset(run)
    spool.fetch_marker(claim)
    spool.ledger.add(claim, (home / DECK).lstat().st_mtime_ns)
    row = spool.ledger.row(run)
    if row is not None and (row.config, row.lane) != (claim.config, claim.lane):
        spool.ledger.renew(claim)
    if row is not None and row.state != "waiting":
        if spool.ledger.tries(run) and not spool.ledger.tries_of(run)[-1].outcome:
            said = "the service itself ended while this deck ran"
            spool.ledger.end_try(run, "died", SERVICE_ENDED, "", said, [])
            found.resumed.append(run)
        spool.ledger.set_state(run, "waiting")
    found.waiting += 1


def _damage(state: str) -> ReasonEntry:
    if state == "longer":
        return ReasonEntry(
            code="late-bytes",
            sentence="bytes came after the deck was taken, and its name is taken in the inbox",
            remedy="drop this deck again under another name",
        )
    return ReasonEntry(
        code="damaged",
        sentence="the deck is not what was taken, or its claim cannot be read",
        remedy="compare it with its source, then drop the right deck again",
    )


def _unknown(run: str, home: Path) -> Claim:
    """Return a claim for a deck whose own cannot be read, so that it can be given back."""
    size = (home / DECK).lstat().st_size
    deck = DeckFacts(name=b"deck".hex(), shown="deck", size=size, sha256=_NOWHERE)
    return Claim(run=run, deck=deck, folder=b"unknown".hex(), job="unknown", config=_NOWHERE,
                 taken_at="", order=0)  # fmt: skip


def _held(spool: Spool, found: Found) -> None:
    for run in runs_in(spool.workspace.hold):
        try:
            claim = spool.claim_of(run, spool.workspace.hold)
        except BadRecordError as error:
            found.problems.append(f"hold/{run}: {error}; resume it to have it given back")
            continue
        spool.ledger.add(claim, (spool.workspace.hold / run / DECK).lstat().st_mtime_ns)
        row = spool.ledger.row(run)
        if row is None or row.state != "hold":
            spool.ledger.set_state(run, "hold")


def _ended(spool: Spool, found: Found) -> None:
    """Enter ended runs of which the ledger does not know. Only those are read."""
    known = dict(spool.ledger.states())
    for run in runs_in(spool.workspace.done):
        if known.get(run) != "done":
            _enter(spool, run, found, "done", told=run not in known)
    for run in runs_in(spool.workspace.returned):
        if known.get(run) != "returned":
            _enter(spool, run, found, "returned", told=run not in known)


def _enter(spool: Spool, run: str, found: Found, state: str, *, told: bool) -> None:
    """Enter an ended run. told: long ago, as far as anybody knows; only the ledger is new."""
    home = spool.workspace.root / state / run
    with contextlib.suppress(BadRecordError, OSError):  # a damaged claim: outcome alone is entered
        spool.ledger.add(load(Claim, home / CLAIM), _mtime(home / DECK))
    try:
        if state == "done":
            manifest = load(Manifest, home / MANIFEST)
            spool.end_done(manifest)
            found.done += [] if told else [manifest]
        else:
            reasons = load(Reasons, home / REASONS)
            spool.end_returned(reasons)
            found.returned += [] if told or not reasons.entries else [reasons]
    except BadRecordError as error:
        found.problems.append(f"{state}/{run}: {error}; restore it from a copy")


def _archived(spool: Spool, found: Found) -> None:
    """Enter archived runs of which the ledger does not know, so that their decks are recognised."""
    known = {run for run, _ in spool.ledger.states()}
    try:
        for path, record in archives(spool.workspace):
            unknown = [each for each in record.runs if each.run not in known]
            for each, claim, end in ends_in(path, unknown) if unknown else ():
                spool.ledger.add(claim, 0)
                if isinstance(end, Manifest):
                    spool.end_done(end, record.sealed_at)
                    # only delivered runs are archived, and there is nothing left to deliver
                    spool.ledger.mark_delivered(each.run, record.sealed_at)
                else:
                    spool.end_returned(end, record.sealed_at)
    except ArchiveError as error:
        found.problems.append(f"{error}; restore it from a copy")


def _mtime(path: Path) -> int:
    status = path.lstat()
    return status.st_mtime_ns if stat.S_ISREG(status.st_mode) else 0


def _vanished(spool: Spool) -> None:
    """Strike out runs whose step back to the inbox was the last thing that happened."""
    for row in spool.ledger.rows("waiting", "running", "hold"):
        folders = (spool.workspace.work, spool.workspace.hold)
        if not any((folder / row.run).is_dir() for folder in folders):
            spool.ledger.forget(row.run)


def _lanes(spool: Spool, lanes: Lanes, found: Found) -> None:
    for path in sorted(spool.workspace.master.iterdir()):
        if path.is_dir():
            try:
                lanes.roll(path.name)
            except LaneStoppedError as error:
                found.stopped_lanes[path.name] = str(error)
