"""Generations of a master: what it was before each step, and how an earlier one comes back.

Generation 0 is the file that the job named, 1 what the first run left, and so on. `current` is the
newest. Of those before it the first and the last few lie in `master/NAME/generations`; the bytes of
the others are those that their runs delivered. An earlier one comes back as a new generation.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from deckwright.service.store.ledger import Ledger
from deckwright.service.store.records import (
    Amount,
    BadRecordError,
    JobName,
    Sealed,
    Sha256,
    load,
)
from deckwright.service.store.tables import Row
from deckwright.service.system.fs import Fs, digest_of_file, names_in
from deckwright.service.system.places import Workspace

GENERATIONS, RESTORED, CURRENT = "generations", "restored", "current"
"""What lies in the folder of a master, beside what is being written."""

KEPT = 8
"""Generations before the current one that are kept beside it, and the first one."""

_NUMBER = re.compile(r"^[0-9]{6,18}$")
_RECORD = re.compile(r"^([0-9]{6,18})\.json$")
_MOST = 65_536


class LaneStoppedError(Exception):
    """The master is not the one that the last run left: somebody must look at it."""


class Restored(Sealed):
    """An earlier generation that was put back. of: which one. by, why: who asked, for what."""

    lane: JobName
    number: Amount
    of: Amount
    parent: Sha256
    next: Sha256
    records: Amount | None
    by: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=2000)]
    at: Annotated[str, Field(max_length=64)]


@dataclass(frozen=True, slots=True)
class Generation:
    """One state of a master.

    number: from 0. sha256: of its bytes. parent: that of the one before; empty for the first.
    records: where a stage has said. run: what made it, empty where no run did. restored: where a
    person did. file: the delivery of the run.
    """

    number: int
    sha256: str
    parent: str = ""
    records: int | None = None
    run: str = ""
    restored: Restored | None = None
    file: str = ""


@dataclass(frozen=True, slots=True)
class Generations:
    """What is known of the generations of all masters of a workspace."""

    workspace: Workspace
    ledger: Ledger

    def last(self, lane: str) -> Generation | None:
        """Return the newest generation; None where no run has moved the master on.

        Raises:
            LaneStoppedError: a record of one cannot be read.
        """
        row = self.ledger.last_of_lane(lane)
        numbers = self._restored_numbers(lane)
        if numbers and numbers[-1] > (row.move or 0 if row else 0):
            return self._of_record(lane, numbers[-1])
        return self._of_run(row) if row else None

    def every(self, lane: str) -> list[Generation]:
        """Return all generations that are known, the first one first.

        Raises:
            LaneStoppedError: a record of one cannot be read.
        """
        found = [self._of_run(row) for row in self.ledger.moves_of_lane(lane)]
        found += [self._of_record(lane, number) for number in self._restored_numbers(lane)]
        found.sort(key=lambda each: each.number)
        if found and found[0].number == 1:
            return [Generation(0, found[0].parent), *found]
        return found

    def lanes(self) -> list[str]:
        """Return the names of the masters."""
        return sorted(path.name for path in self.workspace.master.iterdir() if path.is_dir())

    def place(self, lane: str, number: int) -> Path:
        """Return where a generation before the current one is kept."""
        return self.workspace.master / lane / GENERATIONS / f"{number:06d}"

    def bytes_of(self, lane: str, generation: Generation) -> Path:
        """Return where the bytes of a generation lie, read and found right.

        Raises:
            LaneStoppedError: nowhere.
        """
        places = list(self._places(lane, generation))
        for path in places:
            try:
                if digest_of_file(path)[1] == generation.sha256:
                    return path
            except OSError:
                continue
        looked = " and ".join(str(path.relative_to(self.workspace.root)) for path in places)
        msg = (
            f"the bytes of generation {generation.number} of {lane} are not there any more"
            f" (looked at {looked}); put {looked.partition(' ')[0]} back from a copy"
        )
        raise LaneStoppedError(msg)

    def _places(self, lane: str, generation: Generation) -> Iterator[Path]:
        """Yield where the bytes of a generation may lie."""
        yield self.place(lane, generation.number)
        if generation.run:
            yield self.workspace.done / generation.run / generation.file
        if generation.restored is not None:
            before = {each.number: each for each in self.every(lane)}
            of = before.get(generation.restored.of)
            if of is not None and of.number < generation.number:
                yield from self._places(lane, of)

    def kept(self, lane: str) -> list[int]:
        """Return the numbers of the generations that lie beside the current one."""
        folder = self.workspace.master / lane / GENERATIONS
        if not folder.is_dir():
            return []
        return sorted(int(name) for name in names_in(folder) if _NUMBER.match(name))

    def _restored_numbers(self, lane: str) -> list[int]:
        folder = self.workspace.master / lane / RESTORED
        if not folder.is_dir():
            return []
        names = (_RECORD.match(name) for name in names_in(folder))
        return sorted(int(name[1]) for name in names if name)

    def _of_record(self, lane: str, number: int) -> Generation:
        path = self.workspace.master / lane / RESTORED / f"{number:06d}.json"
        try:
            record = load(Restored, path, _MOST)
        except (BadRecordError, OSError) as error:
            msg = f"master/{lane}/{RESTORED}/{path.name}: {error}; restore it from a copy"
            raise LaneStoppedError(msg) from error
        return Generation(number, record.next, record.parent, record.records, restored=record)

    def _of_run(self, row: Row) -> Generation:
        records = self.ledger.records_left(row.run)
        return Generation(
            row.move or 0, str(row.next), str(row.parent), records, row.run, None, str(row.file)
        )


def keep(fs: Fs, found: Generations, lane: str, number: int) -> None:
    """Keep the current master as the generation with a number, before another takes its place.

    The two names are one file until then, so nothing is copied.

    Raises:
        SyncError, OSError: no room; call again.
    """
    path = found.place(lane, number)
    if os.path.lexists(path):
        return
    if not path.parent.is_dir():
        fs.make_folder(path.parent)
        fs.sync_folder(path.parent.parent)
    fs.link(found.workspace.master / lane / CURRENT, path)
    fs.sync_folder(path.parent)


def thin(fs: Fs, found: Generations, lane: str) -> None:
    """Remove the generations that are kept no longer; their runs still have their bytes."""
    for number in _going(found.kept(lane)):
        fs.unlink(found.place(lane, number))


def _going(kept: list[int]) -> Iterator[int]:
    yield from (number for number in kept[:-KEPT] if number)
