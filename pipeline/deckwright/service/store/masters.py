"""Masters that runs move on: one run at a time, in the order in which the decks were taken.

`master/NAME/current` is the master. A done run names the master it was matched with (its parent)
and the delivery that is the next one; the move itself comes after the commit and can be repeated.
What the master was before is kept, see `generations`, and can be put back.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from deckwright.errors import RestartError
from deckwright.service.store.checking import Checked, NextMaster
from deckwright.service.store.generations import (
    CURRENT,
    RESTORED,
    Generation,
    Generations,
    LaneStoppedError,
    Restored,
    keep,
    thin,
)
from deckwright.service.store.ledger import Ledger
from deckwright.service.store.records import LaneStep
from deckwright.service.system.fs import Fs, SyncError, digest_of_file
from deckwright.service.system.places import Workspace

_NEXT = "next"


@dataclass(frozen=True, slots=True)
class Lanes:
    """The masters of a workspace."""

    workspace: Workspace
    fs: Fs
    ledger: Ledger

    @property
    def generations(self) -> Generations:
        """The generations of the masters."""
        return Generations(self.workspace, self.ledger)

    def current(self, lane: str) -> Path:
        """Return where the master of a lane lies."""
        return self.workspace.master / lane / CURRENT

    def parent(self, lane: str, first: Path) -> str:
        """Return the SHA-256 of the master that the next run meets; finish a move that was cut off.

        Args:
            lane: name of the lane.
            first: the file that the job names, taken over when the lane has no master yet.

        Raises:
            LaneStoppedError: the master was changed from outside, or there is none.
            OSError: no room.
        """
        if not self.current(lane).exists():
            if self.generations.last(lane):
                msg = f"master/{lane}/{CURRENT} is missing; put the last master back"
                raise LaneStoppedError(msg)
            self._begin(lane, first)
        self.roll(lane)
        return self._digest(lane)

    def step(self, lane: str, parent: str, checked: Checked, master: str, file: str) -> LaneStep:
        """Return how an attempt would move the master on.

        Args:
            lane: name of the lane.
            parent: SHA-256 of the master that the run was to meet.
            checked: the attempt.
            master: what the job calls the master.
            file: the delivery that becomes the next master.

        Raises:
            LaneStoppedError: the run met another master, or did not deliver the next one.
        """
        if checked.used.get(master) != parent or self._digest(lane) != parent:
            msg = f"master/{lane}/{CURRENT} was changed while a run read it"
            raise LaneStoppedError(msg)
        wanted = f"out/out/{file}"
        found = [each for each in checked.files if each.name == wanted]
        if not found:
            msg = f"the run delivered no {file}, which is to be the next master"
            raise LaneStoppedError(msg)
        last = self.generations.last(lane)
        step = LaneStep(
            lane=lane,
            number=1 + (last.number if last else 0),
            parent=parent,
            next=found[0].sha256,
            file=wanted,
        )
        told = [(each.file, each.master) for each in checked.next_masters]
        kept = [each for each in checked.carried if (each.file, each.name) == (file, master)]
        if kept and (file, master) not in told:  # no master: its stage alone says what it is
            return step.model_copy(update={"after": kept[0].records})
        account = self._account(lane, checked, master, file, last)
        return step.model_copy(
            update=account.model_dump(include={"before", "added", "deleted", "after"})
        )

    def _account(
        self, lane: str, checked: Checked, master: str, file: str, last: Generation | None
    ) -> NextMaster:
        """Return the account of the next master; it must follow from the one that stands."""
        stands = f"master/{lane}/{CURRENT} stays as it is"
        told = [each for each in checked.next_masters if (each.file, each.master) == (file, master)]
        if not told:
            msg = (
                f"no stage of the job declares {file} the next {master}, so it may lack records;"
                f" {stands}; let the stage that keeps {master} deliver it, then resume the job"
            )
            raise LaneStoppedError(msg)
        account = told[0]
        if account.before + account.added - account.deleted != account.after:
            msg = f"the account of {file} does not add up; {stands}; have the stage put right"
            raise LaneStoppedError(msg)
        # of the very first master nobody knows but the run that read it
        standing = last.records if last else account.read
        if standing is not None and account.before != standing:
            msg = (
                f"the account of {file} begins with {account.before:,} records, and {master} has"
                f" {standing:,}; {stands}; have the stage put right, then resume the job"
            )
            raise LaneStoppedError(msg)
        return account

    def roll(self, lane: str) -> None:
        """Move the master on to what the last done run left, where that has not happened.

        Raises:
            LaneStoppedError: the master is neither that run's parent nor its next.
            OSError: no room; call again.
        """
        last = self.generations.last(lane)
        if last is None:
            return
        now = self._digest(lane)
        if now == last.sha256:
            return
        if now != last.parent:
            msg = (
                f"master/{lane}/{CURRENT} is not the one that the last run left (its SHA-256"
                f" begins {last.sha256[:12]}, found {now[:12]}); put that one back"
            )
            raise LaneStoppedError(msg)
        if last.restored is None:
            source = self.workspace.done / last.run / last.file
        else:
            source = self.generations.bytes_of(lane, last)
        self._put(lane, source, last.sha256, last.number - 1)

    def restore(self, lane: str, number: int, by: str, why: str, at: str) -> Generation:
        """Put an earlier generation back, as a new one; return it.

        Args:
            lane: name of the master; no run of it may run.
            number: the generation that comes back.
            by: who asks.
            why: for what reason.
            at: the time.

        Raises:
            LaneStoppedError: it cannot be done; says why.
            pydantic.ValidationError: the name or the reason is empty or too long.
            OSError: no room.
        """
        if not self.current(lane).exists():
            msg = f"there is no master/{lane}/{CURRENT}"
            raise LaneStoppedError(msg)
        self.roll(lane)
        every = {each.number: each for each in self.generations.every(lane)}
        newest = max(every, default=0)
        if number not in every or number == newest:
            there = f"0 to {newest - 1}" if newest else "none"
            msg = f"{lane} has no earlier generation {number}; those before the present: {there}"
            raise LaneStoppedError(msg)
        of = every[number]
        self.generations.bytes_of(lane, of)
        record = Restored(
            lane=lane, number=newest + 1, of=number, parent=every[newest].sha256, next=of.sha256,
            records=of.records, by=by, why=why, at=at,
        )  # fmt: skip
        folder = self.workspace.master / lane / RESTORED
        if not folder.is_dir():
            self.fs.make_folder(folder)
            self._sync(folder.parent)
        aside = folder / _NEXT
        if os.path.lexists(aside):
            self.fs.unlink(aside)
        self.fs.write_new(aside, record.to_bytes())
        self.fs.rename_new(aside, folder / f"{record.number:06d}.json")
        self._sync(folder)
        self.roll(lane)
        return Generation(record.number, record.next, record.parent, record.records, "", record)

    def _begin(self, lane: str, first: Path) -> None:
        folder = self.workspace.master / lane
        if not folder.is_dir():
            self.fs.make_folder(folder)
            self._sync(self.workspace.master)
        if not first.is_file():
            msg = f"the first master {first.name} is not there"
            raise LaneStoppedError(msg)
        self._put(lane, first, None, None)

    def _put(self, lane: str, source: Path, sha256: str | None, number: int | None) -> None:
        """Put a file in the place of the master, which is kept as the generation `number`."""
        folder = self.workspace.master / lane
        aside = folder / _NEXT
        if os.path.lexists(aside):
            self.fs.unlink(aside)
        try:
            self.fs.copy_new(source, aside)
        except FileNotFoundError as error:
            msg = f"the next master {source} is not there; put it back or requeue its run"
            raise LaneStoppedError(msg) from error
        if sha256 is not None and digest_of_file(aside)[1] != sha256:
            msg = f"{source} is not what its run delivered; restore it from a copy"
            raise LaneStoppedError(msg)
        if number is not None:
            self._keep(lane, number)
        self.fs.replace(aside, folder / CURRENT)
        self._sync(folder)
        thin(self.fs, self.generations, lane)

    def _keep(self, lane: str, number: int) -> None:
        try:
            keep(self.fs, self.generations, lane, number)
        except SyncError as error:
            place = self.generations.place(lane, number)
            msg = f"{place} could not be flushed to disk ({error.strerror}); start again"
            raise RestartError(msg) from error

    def _digest(self, lane: str) -> str:
        try:
            return digest_of_file(self.current(lane))[1]
        except OSError as error:
            msg = f"master/{lane}/{CURRENT} cannot be read: {error.strerror}"
            raise LaneStoppedError(msg) from error

    def _sync(self, folder: Path) -> None:
        try:
            self.fs.sync_folder(folder)
        except OSError as error:
            msg = f"{folder} could not be flushed to disk ({error.strerror}); start again"
            raise RestartError(msg) from error
