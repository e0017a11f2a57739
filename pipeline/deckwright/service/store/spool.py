"""The life of a deck in the workspace, step by step, so that a cut at any step loses nothing.

The folder in which a deck lies is its state, and one rename of one folder is the only commit.
Every file is flushed before the step that makes it count, and every folder after it.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from deckwright.errors import RestartError
from deckwright.service.store.checking import Checked
from deckwright.service.store.claiming import Arrival, Claims, Taking
from deckwright.service.store.ledger import Ledger
from deckwright.service.store.records import (
    MOST_REASONS,
    Claim,
    LaneStep,
    Manifest,
    MarkerFacts,
    ReasonEntry,
    Reasons,
    load,
)
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs, digest_of, digest_of_file
from deckwright.service.system.places import (
    CAME,
    CLAIM,
    DECK,
    FAILED_PAGE,
    MANIFEST,
    MARKER,
    REASONS,
    RUN,
    Workspace,
    run_prefix,
    shown,
)

__all__ = ["WORDS", "Arrival", "MarkerDiffersError", "NotTakenError", "Spool", "Taking"]

WORDS = "reasons.txt"


class MarkerDiffersError(Exception):
    """A deck is not what its ready-marker says."""


class NotTakenError(Exception):
    """The deck changed or went away before it could be taken; it is looked at again."""


class Spool:
    """The steps. One service at a time holds the workspace; nobody else calls them."""

    def __init__(self, workspace: Workspace, fs: Fs, ledger: Ledger, clock: Clock) -> None:
        self.workspace, self.fs, self.ledger, self.clock = workspace, fs, ledger, clock
        self._claims = Claims(workspace, ledger, clock)

    # ---- from the inbox

    def take(self, arrival: Arrival, descriptor: int, taking: Taking) -> Claim:
        """Take a deck out of the inbox. The rename into the run's folder is what counts.

        Args:
            arrival: where it lies.
            descriptor: the deck, open for reading; everything was checked on it.
            taking: with what it is taken.

        Raises:
            NotTakenError: it changed meanwhile; it lies where it lay.
            MarkerDiffersError: its marker names other bytes; it lies where it lay.
            OSError: no room or no right; it lies where it lay.
        """
        before = os.fstat(descriptor)
        self.fs.flush(descriptor)
        size, digest = digest_of(descriptor)
        if arrival.sha256 not in {None, digest}:
            raise MarkerDiffersError(shown(arrival.name))
        claim = self._claims.arrived(arrival, descriptor, size, digest, taking)
        claim = claim.model_copy(update={"marker": _marker(arrival)})
        home = self.workspace.work / claim.run
        self._write_claim(home, claim)
        try:
            _expect_same(before, os.fstat(descriptor), _status(arrival.path))
            self.fs.rename_new(arrival.path, home / DECK)
        except (OSError, NotTakenError) as error:
            self.fs.remove_tree(home)
            if isinstance(error, FileNotFoundError):
                raise NotTakenError(shown(arrival.name)) from error
            raise
        try:
            self._refuse_swapped(home, arrival, before.st_ino)
            self.sync(home, arrival.path.parent)  # first, lest the marker goes without the deck
            self.fetch_marker(claim)
        except OSError as error:
            msg = f"{home} was taken, but not entered ({error.strerror}); start again"
            raise RestartError(msg) from error
        self.ledger.add(claim, before.st_mtime_ns)
        return claim

    def _refuse_swapped(self, home: Path, arrival: Arrival, inode: int) -> None:
        if _status(home / DECK).st_ino != inode:  # in the last moment before the rename
            self.fs.rename_new(home / DECK, arrival.path)
            self.sync(arrival.path.parent, home)
            self.fs.remove_tree(home)
            raise NotTakenError(shown(arrival.name))

    def fetch_marker(self, claim: Claim) -> None:
        """Move a deck's ready-marker after it, else it would let in the next deck of that name."""
        if claim.marker is not None:
            folder = self.workspace.inbox / os.fsdecode(bytes.fromhex(claim.folder))
            path = folder / claim.marker.file_name
            with contextlib.suppress(FileNotFoundError, FileExistsError):
                if path.lstat().st_ino == claim.marker.inode:
                    self.fs.rename_new(path, self.workspace.work / claim.run / MARKER)

    def _write_claim(self, home: Path, claim: Claim) -> None:
        """Make the folder of a run with its claim, flushed, without a deck."""
        try:
            self.fs.make_folder(home)
        except FileExistsError:
            # left by an attempt that was cut off; a deck in it would be in the ledger
            if os.path.lexists(home / DECK):
                raise
            self.fs.remove_tree(home)
            self.fs.make_folder(home)
        try:
            self.fs.write_new(home / CLAIM, claim.to_bytes())
        except OSError:
            with contextlib.suppress(OSError):
                self.fs.remove_tree(home)
            raise
        self.sync(home, home.parent)

    # ---- ended well

    def commit(self, claim: Claim, out: str, checked: Checked, lane: LaneStep | None) -> Manifest:
        """Make a run done: its outputs are complete, hashed and flushed.

        Raises:
            SyncError: the attempt must be thrown away.
            OSError: no room; the attempt must be thrown away.
            RestartError: a folder could not be flushed.
        """
        home = self.workspace.work / claim.run
        self._drop(home, CAME | {out})
        self.fs.rename_new(home / out, home / RUN)
        manifest = Manifest(
            run=claim.run,
            job=claim.job,
            deck=claim.deck,
            config=claim.config,
            versions=checked.versions,
            counts=checked.counts,
            files=checked.files,
            lane=lane,
        )
        self._write_record(home, MANIFEST, manifest.to_bytes())
        self._move(home, self.workspace.done)
        self.end_done(manifest)
        return manifest

    def end_done(self, manifest: Manifest, at: str = "") -> None:
        """Enter a done run into the ledger; at: when it ended at the latest, now if not given."""
        self.ledger.end(
            manifest.run,
            "done",
            at or self.clock.now(),
            cards=max(0, manifest.counts.get("in", 0)),
            cards_returned=max(0, manifest.counts.get("returned", 0)),
            lane=manifest.lane,
        )

    # ---- ended badly

    def give_back(self, claim: Claim, entries: Sequence[ReasonEntry]) -> Reasons:
        """Return a whole deck with its reasons, in words and as JSON.

        Raises:
            SyncError, OSError: it waits as before; call again later.
            RestartError: a folder could not be flushed.
        """
        home = self.workspace.work / claim.run
        page = home / FAILED_PAGE
        shows = page.is_file() and not page.is_symlink()
        self._drop(home, CAME | {FAILED_PAGE} if shows else CAME)
        if shows:
            self.fs.sync_file(page)
        reasons = Reasons(
            run=claim.run,
            job=claim.job,
            deck=claim.deck,
            count=len(entries),
            entries=list(entries[:MOST_REASONS]),
        )
        self.fs.write_new(home / WORDS, reasons.to_text().encode())
        self._write_record(home, REASONS, reasons.to_bytes())
        self._move(home, self.workspace.returned)
        self.end_returned(reasons)
        return reasons

    def end_returned(self, reasons: Reasons, at: str = "") -> None:
        """Enter a returned deck into the ledger; at: as above."""
        code = reasons.entries[0].code if reasons.entries else ""
        self.ledger.end(reasons.run, "returned", at or self.clock.now(), code=code)

    def reset(self, run: str) -> None:
        """Throw away what attempts have left; keep deck and claim."""
        self._drop(self.workspace.work / run, CAME)

    def back_to_inbox(self, claim: Claim) -> bool:
        """Put a deck that was written to after it was taken back into the inbox.

        Return False when its name is taken there, or its folder has gone; then it stays.
        """
        home = self.workspace.work / claim.run
        place = self.workspace.inbox / os.fsdecode(bytes.fromhex(claim.folder))
        try:
            self.fs.rename_new(home / DECK, place / os.fsdecode(claim.deck.name_bytes))
        except (FileExistsError, FileNotFoundError):
            return False
        self.sync(place, home)
        with contextlib.suppress(OSError):  # a folder without a deck is removed at the next start
            if claim.marker and os.path.lexists(home / MARKER):
                self.fs.rename_new(home / MARKER, place / claim.marker.file_name)
            self.fs.remove_tree(home)
        self.sync(self.workspace.work)
        self.ledger.forget(claim.run)
        return True

    # ---- by an operator

    def hold(self, run: str, code: str = "") -> None:
        """Take a waiting deck aside until an operator resumes it; code: why, if not by one."""
        self.reset(run)
        self._move(self.workspace.work / run, self.workspace.hold)
        self.ledger.set_state(run, "hold", code)

    def resume(self, run: str) -> None:
        """Put a held deck back among those that wait."""
        self._move(self.workspace.hold / run, self.workspace.work)
        self.ledger.set_state(run, "waiting")

    def run_again(self, row: Row, taking: Taking, why: str = "") -> Claim | None:
        """Make a new run of the deck of an ended one, and leave that one as it is.

        Args:
            row: the ended run.
            taking: with what the deck is taken now.
            why: says that bytes came late; empty when an operator asked.

        Returns:
            The claim of the new run; None when that was done before.
        """
        if not why and self.ledger.again_of(row.run):
            return None
        source = self.workspace.root / row.state / row.run / DECK
        room = self.workspace.tmp / f"again-{row.run}"
        with contextlib.suppress(FileNotFoundError):
            self.fs.remove_tree(room)
        self.fs.make_folder(room)
        self.fs.copy_new(source, room / DECK)
        with (room / DECK).open("rb") as file:
            size, digest = digest_of(file.fileno())
            claim = self._claims.again(row, file.fileno(), size, digest, taking, why)
        if why and self.ledger.last_n(run_prefix(digest, row.name)):
            self.fs.remove_tree(room)
            return None
        self.fs.write_new(room / CLAIM, claim.to_bytes())
        self.sync(room)
        self.fs.rename_new(room, self.workspace.work / claim.run)
        self.sync(self.workspace.work, self.workspace.tmp)
        self.ledger.add(claim, _status(self.workspace.work / claim.run / DECK).st_mtime_ns)
        return claim

    # ---- parts of steps

    def keep_config(self, sha256: str, snapshot: bytes) -> None:
        """Keep a config under its SHA-256 before any deck is taken with it."""
        path = self.workspace.used / f"{sha256}.json"
        with contextlib.suppress(OSError):
            if digest_of_file(path)[1] == sha256:
                return
        aside = path.with_suffix(".tmp")
        if os.path.lexists(aside):
            self.fs.unlink(aside)
        self.fs.write_new(aside, snapshot)
        self.fs.replace(aside, path)
        self.sync(self.workspace.used)

    def _write_record(self, home: Path, name: str, data: bytes) -> None:
        aside = home / f"{name.partition('.')[0]}.tmp"
        self.fs.write_new(aside, data)
        self.fs.rename_new(aside, home / name)
        self.sync(home)

    def _move(self, home: Path, target: Path) -> None:
        """Rename the folder of a run: the one step by which its state changes."""
        self.fs.rename_new(home, target / home.name)
        self.sync(target, home.parent)

    def _drop(self, home: Path, kept: frozenset[str]) -> None:
        for entry in list(os.scandir(home)):
            if entry.name not in kept:
                path = Path(entry.path)
                if entry.is_dir(follow_symlinks=False):
                    self.fs.remove_tree(path)
                else:
                    self.fs.unlink(path)

    def sync(self, *folders: Path) -> None:
        """Flush folders.

        Raises:
            RestartError: one could not be.
        """
        for folder in folders:
            try:
                self.fs.sync_folder(folder)
            except OSError as error:
                msg = f"{folder} could not be flushed to disk ({error.strerror}); start again"
                raise RestartError(msg) from error

    def claim_of(self, run: str, where: Path | None = None) -> Claim:
        """Return the claim of a run in `work`, or elsewhere.

        Raises:
            BadRecordError: there is none that is valid.
        """
        return load(Claim, (where or self.workspace.work) / run / CLAIM)


def _marker(arrival: Arrival) -> MarkerFacts | None:
    if not arrival.marker:
        return None
    inode = _status(arrival.path.with_name(os.fsdecode(arrival.marker))).st_ino
    return MarkerFacts(name=arrival.marker.hex(), inode=inode)


def _status(path: Path) -> os.stat_result:
    try:
        return path.lstat()
    except FileNotFoundError as error:
        raise NotTakenError(path.name) from error


def _expect_same(*looks: os.stat_result) -> None:
    if len({(look.st_ino, look.st_dev, look.st_size, look.st_mtime_ns) for look in looks}) > 1:
        msg = "it changed while it was taken"
        raise NotTakenError(msg)
