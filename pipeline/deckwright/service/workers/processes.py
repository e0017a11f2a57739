"""Processes below this one: who they are, and how to end those that a worker has left.

Only processes that descend from this one are ever looked at, and each is looked at again when its
number is held fast, so that nobody else's is hit who got the number meanwhile.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

_PR_SET_CHILD_SUBREAPER, _PR_GET_CHILD_SUBREAPER = 36, 37
_PROC = Path("/proc")
_DEEPEST = 1000


@dataclass(frozen=True, slots=True)
class Kin:
    """A process, told from a later one of the same number by when it began (in clock ticks)."""

    pid: int
    begun: int


@dataclass(frozen=True, slots=True)
class _Facts:
    state: str
    parent: int
    session: int
    begun: int


def become_subreaper(*, on: bool = True) -> bool:
    """Take in processes below this one whose parent ends; return whether it was so before."""
    libc = ctypes.CDLL(None)
    before = ctypes.c_int(0)
    libc.prctl(_PR_GET_CHILD_SUBREAPER, ctypes.byref(before))
    libc.prctl(_PR_SET_CHILD_SUBREAPER, int(on))
    return bool(before.value)


def children_of(pid: int) -> list[int]:
    """Return the child processes of a process; none when it has gone."""
    found: list[int] = []
    with contextlib.suppress(OSError):
        for task in (_PROC / str(pid) / "task").iterdir():
            with contextlib.suppress(OSError):
                found += map(int, (task / "children").read_text().split())
    return found


def descendants_of(pid: int) -> Iterator[int]:
    """Yield every process below a process, parents before their children."""
    waiting, seen = children_of(pid), {pid}
    while waiting:
        child = waiting.pop()
        if child not in seen:
            seen.add(child)
            yield child
            waiting += children_of(child)


def kin(pid: int) -> Kin | None:
    """Return the process of this number; None when there is none."""
    facts = _facts(pid)
    return Kin(pid, facts.begun) if facts else None


def reap(each: Kin) -> bool:
    """Ask a child of this process that has ended how it did; return whether it has gone."""
    facts = _facts(each.pid)
    if facts is None or facts.begun != each.begun:
        return True
    if facts.parent != os.getpid() or facts.state not in "ZX":
        return False
    with contextlib.suppress(ChildProcessError):
        os.waitpid(each.pid, os.WNOHANG)
    return True


def belongs(pid: int, sessions: Collection[int], token: str) -> bool:
    """Tell whether a child of this process was left by one of its workers.

    It is in the session of one, or carries the mark that workers and all they start are given.
    """
    facts = _facts(pid)
    if facts is None or facts.parent != os.getpid():
        return False
    if facts.session in sessions:
        return True
    with contextlib.suppress(OSError):
        return f"DECKWRIGHT_WORKER={token}".encode() in (
            (_PROC / str(pid) / "environ").read_bytes().split(b"\0")
        )
    return False


def end(pid: int, is_ours: Callable[[int], bool]) -> None:
    """Kill a process, once its number is held fast and it is seen to be ours still."""
    try:
        held = os.pidfd_open(pid)
    except OSError:
        return
    try:
        if is_ours(pid):
            with contextlib.suppress(OSError):
                signal.pidfd_send_signal(held, signal.SIGKILL)
    finally:
        os.close(held)


def end_below(pid: int) -> set[Kin]:
    """Kill every process below a process, itself not; return them."""
    found = {each for child in list(descendants_of(pid)) if (each := kin(child))}
    for each in found:
        end(each.pid, lambda child: _is_below(child, pid))
    return found


def end_left(sessions: Collection[int], token: str, known: Collection[int]) -> set[Kin]:
    """Kill what workers have left to this process, and all below it; return all of it.

    Args:
        sessions: sessions of workers.
        token: the mark that they and all they start are given.
        known: children that are not looked at.
    """
    found: set[Kin] = set()
    for pid in children_of(os.getpid()):
        if pid not in known and belongs(pid, sessions, token) and (each := kin(pid)):
            found |= {each, *end_below(pid)}
            end(pid, lambda child: belongs(child, sessions, token))
    return found


def _is_below(pid: int, above: int) -> bool:
    for _ in range(_DEEPEST):
        facts = _facts(pid)
        if facts is None or facts.parent <= 1:
            return False
        pid = facts.parent
        if pid == above:
            return True
    return False


def _facts(pid: int) -> _Facts | None:
    try:
        status = (_PROC / str(pid) / "stat").read_text(errors="replace")
    except OSError:
        return None
    # the command stands in parentheses and may hold anything; state and parent follow it
    fields = status.rpartition(")")[2].split()
    return _Facts(fields[0], int(fields[1]), int(fields[3]), int(fields[19]))
