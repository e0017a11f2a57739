"""What may stand on a disk after a power cut: a trace of steps, and the states it can leave.

A file that was not flushed may hold nothing, half of its bytes, zeros, or all. Entries of folders
that were not flushed may have reached the disk or not. A rename is one step on the file systems
that are taken: its two entries reach the disk together or not at all.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from deckwright.service.store.records import BadRecordError, Claim, load

Order = Literal["journal", "any"]
"""How entries reach the disk: in the order in which they were made, and every flush takes all
that came before along; or in any order, and a flush of a folder takes those of this folder only."""

ORDERS: tuple[Order, ...] = ("journal", "any")
ROOT = 0
Place = tuple[int, str]
"""A folder, by number, and a name in it."""


# ---- what happened, one after another


@dataclass(frozen=True, slots=True)
class Entries:
    """Entries were made (a number) or removed (None). lasting: somebody else flushed them."""

    changes: tuple[tuple[Place, int | None], ...]
    lasting: bool = False


@dataclass(frozen=True, slots=True)
class Written:
    """A file has these bytes now. sender: a deck that nobody has flushed; inode: of a stranger."""

    node: int
    data: bytes
    lasting: bool = False
    sender: bool = False
    inode: int = 0


@dataclass(frozen=True, slots=True)
class Flushed:
    """A file or a folder was flushed. path: what it was called then, below the workspace."""

    node: int
    path: str


@dataclass(frozen=True, slots=True)
class LedgerStands:
    """The files of the ledger after a commit."""

    files: tuple[tuple[str, bytes], ...]


@dataclass(frozen=True, slots=True)
class Said:
    """The service said of a run that it has ended so."""

    run: str
    state: str


@dataclass(frozen=True, slots=True)
class Acted:
    """The outside has done so many of its steps."""

    steps: int


Op = Entries | Written | Flushed | LedgerStands | Said | Acted


# ---- what may be left


@dataclass(slots=True)
class Disk:
    """What is certain to be on disk, and what may be, after a number of steps."""

    order: Order
    entries: dict[Place, int] = field(default_factory=dict)
    pending: list[Entries] = field(default_factory=list)
    data: dict[int, bytes] = field(default_factory=dict)
    flushed: dict[int, bytes] = field(default_factory=dict)
    senders: set[int] = field(default_factory=set)
    inodes: dict[int, int] = field(default_factory=dict)
    ledgers: list[LedgerStands] = field(default_factory=list)
    said: set[Said] = field(default_factory=set)
    acted: int = 0

    def take(self, op: Op) -> None:
        """Go on by a step."""
        match op:
            case Entries():
                self._enter(op)
            case Written():
                self.data[op.node] = op.data
                self.senders |= {op.node} if op.sender else set()
                self.inodes |= {op.node: op.inode} if op.inode else {}
                if op.lasting:
                    self.flushed[op.node] = op.data
            case Flushed():
                self._flush(op.node)
            case LedgerStands():
                self.ledgers.append(op)
            case Said():
                self.said.add(op)
            case Acted():
                self.acted = op.steps

    def _enter(self, op: Entries) -> None:
        if op.lasting:
            apply(op, self.entries)
            return
        self.pending.append(op)
        # as long as a deck lies where its sender laid it, its bytes are his to flush
        self.senders -= {node for _, node in op.changes if node is not None}

    def _flush(self, node: int) -> None:
        if node in self.data:
            self.flushed[node] = self.data[node]
        if self.order == "journal":
            wanted = set(range(len(self.pending)))
        elif node in self.data:
            return
        else:
            wanted = self._of_folder(node)
        for number in sorted(wanted):
            apply(self.pending[number], self.entries)
        self.pending = [op for number, op in enumerate(self.pending) if number not in wanted]

    def _of_folder(self, node: int) -> set[int]:
        """Return which pending entries a flush of a folder takes along: what they rest on too."""
        places: set[Place] = set()
        wanted = set()
        for number in reversed(range(len(self.pending))):
            touched = {place for place, _ in self.pending[number].changes}
            if touched & places or any(folder == node for folder, _ in touched):
                wanted.add(number)
                places |= touched
        return wanted


def apply(op: Entries, entries: dict[Place, int]) -> None:
    """Let entries reach the disk."""
    for place, node in op.changes:
        if node is None:
            entries.pop(place, None)
        else:
            entries[place] = node


@dataclass(frozen=True, slots=True)
class State:
    """One state of a disk. files: path below the workspace to bytes, None for a folder.

    inodes: what some files had, which a claim may name.
    """

    files: tuple[tuple[str, bytes | None], ...]
    inodes: tuple[tuple[str, int], ...]
    ledger: tuple[tuple[str, bytes], ...]
    said: frozenset[Said]
    acted: int

    def lay_out(self, root: Path) -> None:
        """Make a workspace of it; beside it is noted how far the outside had come."""
        root.mkdir()
        for name, data in (*self.files, *self.ledger):
            if data is None:
                (root / name).mkdir()
            else:
                (root / name).write_bytes(data)
        root.with_name(f"{root.name}.steps-done").write_bytes(b"." * self.acted)
        now = {before: (root / name).stat().st_ino for name, before in self.inodes}
        for path in root.glob("*/*/claim.json"):
            with suppress(BadRecordError):  # it was not flushed
                _name_inodes(path, now)


def _name_inodes(path: Path, now: dict[int, int]) -> None:
    """Let a claim name the marker that lies there, whose inode is another one than it was."""
    claim = load(Claim, path)
    if claim.marker is not None and claim.marker.inode in now:
        marker = claim.marker.model_copy(update={"inode": now[claim.marker.inode]})
        path.write_bytes(claim.model_copy(update={"marker": marker}).to_bytes())


def moments(ops: Sequence[Op]) -> list[int]:
    """Return after how many of the steps a power cut is looked at: not amid what others do."""
    return [number for number in range(1, len(ops) + 1) if not _by_others(ops[number:])]


def _by_others(rest: Sequence[Op]) -> bool:
    match rest[0] if rest else None:
        case Entries(lasting=True) | Written(lasting=True) | Written(sender=True) | Acted():
            return True
    return False


def after(ops: Sequence[Op], steps: int, order: Order) -> Disk:
    """Return what is certain and what may be after so many steps."""
    disk = Disk(order)
    for op in ops[:steps]:
        disk.take(op)
    return disk


def cut(disk: Disk, chance: random.Random) -> State:
    """Return a state in which a power cut may leave a disk."""
    entries = dict(disk.entries)
    for op in _reached(disk, chance):
        apply(op, entries)
    below: dict[int, list[tuple[str, int]]] = {}
    for (folder, name), node in sorted(entries.items()):
        below.setdefault(folder, []).append((name, node))
    found = [*_files(disk, below, ROOT, "", chance)]
    files = tuple((name, data) for name, data, _ in found)
    inodes = tuple((name, disk.inodes[node]) for name, _, node in found if node in disk.inodes)
    return State(files, inodes, _ledger(disk, chance), frozenset(disk.said), disk.acted)


def _reached(disk: Disk, chance: random.Random) -> Iterator[Entries]:
    """Yield the pending entries that reached the disk; none without what it rests on."""
    if disk.order == "journal":
        yield from disk.pending[: chance.randint(0, len(disk.pending))]
        return
    likely = chance.choice((0.2, 0.5, 0.8))
    missing: set[Place] = set()
    for op in disk.pending:
        places = {place for place, _ in op.changes}
        if places & missing or chance.random() > likely:
            missing |= places
        else:
            yield op


def _files(disk: Disk, below: dict[int, list[tuple[str, int]]], folder: int, path: str,
           chance: random.Random) -> Iterator[tuple[str, bytes | None, int]]:  # fmt: skip
    for name, node in below.get(folder, []):
        if node in disk.data:
            yield path + name, _bytes(disk, node, chance), node
        else:
            yield path + name, None, node
            yield from _files(disk, below, node, f"{path}{name}/", chance)


def _bytes(disk: Disk, node: int, chance: random.Random) -> bytes:
    data, flushed = disk.data[node], disk.flushed.get(node, b"")
    if data == flushed or node in disk.senders:
        return data
    return chance.choice((flushed, data[: len(data) // 2], bytes(len(data)), data))


def _ledger(disk: Disk, chance: random.Random) -> tuple[tuple[str, bytes], ...]:
    kind = chance.choice(("absent", "stale", "current", "current"))
    if kind == "absent" or not disk.ledgers:
        return ()
    return (disk.ledgers[-1] if kind == "current" else chance.choice(disk.ledgers)).files
