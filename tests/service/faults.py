"""Cutting off and failing any step that the service takes on the file system or its ledger."""

from __future__ import annotations

import errno
import os
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from typing_extensions import override

from deckwright.service.store.ledger import Ledger, LedgerError
from deckwright.service.system.fs import Fs, SyncError

READING = {"read"}
COMPOSED = {"remove_tree", "sync_tree"}
"""Methods of `Fs` that change nothing, and those that consist of counted ones."""

STEPS = ("make_folder", "write_new", "write_hint", "copy_new", "flush", "sync_file", "sync_folder",
         "rename_new", "replace", "link", "symlink", "unlink", "remove_folder")  # fmt: skip
"""Methods of `Fs` that are one step each."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What happens at a step, counted from 1.

    kind: `kill` or `err`. how: of a kill `before`, `after`, or inside a written file `empty` and
    `half`; of an error its name. lasting: also at every later step.
    """

    kind: str
    step: int
    how: str
    lasting: bool = False

    @classmethod
    def read(cls, text: str) -> Fault | None:
        """Read `kill:37:after`, `err:37:ENOSPC`, `err:37+:EIO`; `trace` and `` are none."""
        if text in {"", "trace"}:
            return None
        kind, step, how = text.split(":")
        return cls(kind, int(step.rstrip("+")), how, step.endswith("+"))

    def hits(self, step: int) -> bool:
        """Tell whether it happens at a step."""
        return step == self.step or (self.lasting and step > self.step)


class FaultFs(Fs):
    """Counts every step, and lets a fault happen at one. trace: the steps, `name path ...`."""

    def __init__(self, fault: Fault | None = None) -> None:
        self.fault, self.steps = fault, 0
        self.trace: list[str] = []

    def step(self, name: str, given: tuple[Any, ...]) -> Any:
        """Take one step of `Fs`, or have it fail or cut off."""
        fault = self._begin(name, given)
        if fault is not None and fault.kind == "err":
            code = getattr(errno, fault.how)
            raise (SyncError if name == "flush" else OSError)(code, os.strerror(code))
        if fault is not None and fault.how in {"empty", "half"} and is_written(name):
            _write_part(fault.how, given)
            self.die()
        return self._end(fault, getattr(super(), name)(*given))

    def ledger_step(self, sql: str, take: Any) -> Any:
        """Take one writing step of the ledger, or have it fail or cut off."""
        fault = self._begin("ledger", (sql,))
        if fault is not None and fault.kind == "err":
            msg = "disk I/O error"
            raise LedgerError(msg)
        return self._end(fault, take())

    def _begin(self, name: str, given: tuple[Any, ...]) -> Fault | None:
        self.steps += 1
        named = [os.fspath(each) for each in given if isinstance(each, (Path, str))]
        self.trace.append(" ".join([name, *named]))
        fault = self.fault if self.fault and self.fault.hits(self.steps) else None
        if fault is not None and fault.kind == "kill" and fault.how == "before":
            self.die()
        return fault

    def _end(self, fault: Fault | None, result: Any) -> Any:
        if fault is not None and fault.kind == "kill":
            self.die()
        return result

    def die(self) -> None:
        """End this process as `kill -9` does."""
        os.kill(os.getpid(), signal.SIGKILL)


def _counted(name: str) -> Any:
    def step(self: FaultFs, *given: Any) -> Any:
        return self.step(name, given)

    return step


for _name in STEPS:
    setattr(FaultFs, _name, _counted(_name))


def is_written(step: str) -> bool:
    """Tell whether a step, or a line of a trace, writes a file, and can be cut off within."""
    return step.partition(" ")[0] in {"write_new", "write_hint", "copy_new"}


def _write_part(how: str, given: tuple[Any, ...]) -> None:
    """Leave what a writer leaves that is killed before its first bytes or amid them."""
    first, second = given
    data, target = (first.read_bytes(), second) if isinstance(second, Path) else (second, first)
    target.touch(0o640, exist_ok=False)
    if how == "half":
        target.write_bytes(data[: len(data) // 2])


class CountedLedger(Ledger):
    """A ledger whose writing steps count as steps of a `FaultFs`."""

    def __init__(self, path: Path, fs: FaultFs) -> None:
        self._fs = fs
        super().__init__(path)

    @override
    def _do(self, sql: str, values: Any = ()) -> Any:
        if sql.lstrip().startswith("SELECT"):
            return super()._do(sql, values)
        return self._fs.ledger_step(sql, lambda: super(CountedLedger, self)._do(sql, values))
