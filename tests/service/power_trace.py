"""Writes down all that a service and others do in a workspace, for a model of what may be left."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from typing_extensions import override

from service.contract import MARKERS
from service.faults import FaultFs
from service.kit import Rig
from service.power_model import (
    ROOT,
    Acted,
    Entries,
    Flushed,
    LedgerStands,
    Op,
    Place,
    Said,
    Written,
)


class CutOffError(BaseException):
    """Nothing of the service runs any more; nobody may catch it."""


class Recorder(FaultFs):
    """Writes down every step, and everything that others do in the workspace meanwhile.

    cut: number of the step before which the service is cut off; 0 = never.
    """

    def __init__(self, root: Path, cut: int = 0) -> None:
        super().__init__()
        self.root, self.cut = Path(os.path.realpath(root)), cut
        self.ops: list[Op] = []
        self._view: dict[Place, int] = {}
        self._sizes: dict[int, int] = {}  # of files only
        self._nodes, self._said = 0, set[tuple[str, str]]()
        self._rig: Rig | None = None
        self._in_commit = False

    def watch(self, rig: Rig) -> None:
        """Listen to what a service says, and keep its ledger."""
        self._rig = rig
        tell = rig.tell

        def told(event: str, **facts: Any) -> None:
            state = {"run_done": "done", "deck_returned": "returned"}.get(event)
            if state:
                self._say(facts["run"], state)
            tell(event, **facts)

        rig.runs.tell = told
        self.look()
        self._keep_ledger()

    def acted(self, steps: int) -> None:
        """Note how far the outside has come."""
        self.look()
        self.ops.append(Acted(steps))

    # ---- steps

    @override
    def step(self, name: str, given: tuple[Any, ...]) -> Any:
        self._before()
        target = {"write_new": 0, "write_hint": 0, "copy_new": 1}.get(name)
        if target is not None and not os.path.lexists(given[target]):
            data = given[0].read_bytes() if target else given[1]
            self._make(given[target], data)
        result = super().step(name, given)
        if name == "flush":
            path = Path(f"/proc/self/fd/{given[0]}").readlink()
            self.ops.append(Flushed(self._node(path), str(path.relative_to(self.root))))
        elif name == "make_folder":
            self._make(given[0], None)
        elif name in {"rename_new", "replace"}:
            self._change({given[0]: None, given[1]: self._node(given[0])})
        elif name == "link":
            self._change({given[1]: self._node(given[0])})
        elif name in {"unlink", "remove_folder"}:
            self._change({given[0]: None})
        return result

    @override
    def ledger_step(self, sql: str, take: Any) -> Any:
        self._before()
        result = super().ledger_step(sql, take)
        self._in_commit = sql.startswith("BEGIN") or (self._in_commit and sql != "COMMIT")
        if not self._in_commit:
            self._keep_ledger()
        return result

    def _before(self) -> None:
        self.look()
        if self.steps + 1 == self.cut:
            raise CutOffError

    def _make(self, path: Path, data: bytes | None) -> None:
        self._nodes += 1
        if data is not None:
            self.ops.append(Written(self._nodes, data))
            self._sizes[self._nodes] = len(data)
        self._change({path: self._nodes})

    def _change(self, wanted: dict[Path, int | None]) -> None:
        changes = tuple((self._place(path), node) for path, node in wanted.items())
        self.ops.append(Entries(changes))
        self._enter(changes)

    def _enter(self, changes: Iterable[tuple[Place, int | None]]) -> None:
        for place, node in changes:
            self._view.pop(place, None)
            if node is not None:
                self._view[place] = node

    def _place(self, path: Path) -> Place:
        return self._node(path.parent), path.name

    def _node(self, path: Path) -> int:
        node = ROOT
        for name in path.relative_to(self.root).parts:
            node = self._view[node, name]
        return node

    # ---- others

    def look(self) -> None:
        """Write down what others have made or changed: folders and requests lasting, decks not."""
        self._look(self.root, ROOT)

    def _look(self, folder: Path, node: int) -> None:
        for entry in sorted(os.scandir(folder), key=lambda each: each.name):
            if entry.name.startswith("ledger.db"):
                continue
            known = self._view.get((node, entry.name))
            if entry.is_dir():
                self._look(Path(entry.path), known or self._find(node, entry.name))
            elif known is None or entry.stat().st_size != self._sizes[known]:
                data = Path(entry.path).read_bytes()
                found = known or self._find(node, entry.name)
                sender = known is None and folder.parent.name == "inbox"
                sender = sender and Path(entry.path).suffix not in MARKERS
                self.ops.append(Written(found, data, not sender, sender, entry.inode()))
                self._sizes[found] = len(data)

    def _find(self, node: int, name: str) -> int:
        self._nodes += 1
        changes = (((node, name), self._nodes),)
        self.ops.append(Entries(changes, lasting=True))
        self._enter(changes)
        return self._nodes

    def _keep_ledger(self) -> None:
        files = sorted(self.root.glob("ledger.db*"))
        kept = tuple((each.name, each.read_bytes()) for each in files if each.suffix != ".db-shm")
        self.ops.append(LedgerStands(kept))
        assert self._rig is not None
        for run, state in self._rig.ledger.states():
            if state in {"done", "returned"}:
                self._say(run, state)

    def _say(self, run: str, state: str) -> None:
        if (run, state) not in self._said:
            self._said.add((run, state))
            self.ops.append(Said(run, state))
