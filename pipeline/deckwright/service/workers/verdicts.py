"""What to make of a worker: may it say this, and what to tell of a run whose worker has ended."""

from __future__ import annotations

import contextlib
import json
import signal
import stat
from enum import Enum, auto
from pathlib import Path

from deckwright.service.system.fs import Fs
from deckwright.service.system.places import MANIFEST
from deckwright.service.workers.messages import Ended, Outcome, RunOrder

_SAYABLE = frozenset({"done", "deck", "stage", "job", "no-room", "stopped"})
_LARGEST_MANIFEST = 64 << 20


class Cause(Enum):
    """Why a worker was ended, or seen to have ended, while it had a run."""

    SILENT = auto()
    """Its messages came to an end."""
    NONSENSE = auto()
    """It said what it may not."""
    LATE = auto()
    """Its time was over."""
    UNREADY = auto()
    """It ended or hung before it could take an order."""
    WORN = auto()
    """It serves no more; its run had ended before."""
    STOPPED = auto()
    """The service stops."""


def may_say(message: Ended, order: RunOrder) -> bool:
    """Tell whether a worker may say this of its order; of a done run, the run folder must stand."""
    if message.run != order.run or message.outcome not in _SAYABLE:
        return False
    return message.outcome != "done" or _stands(Path(order.folder) / order.out, message)


def why_ended(run: str, cause: Cause, code: int | None, seconds: float) -> Ended:
    """Return how a run ended whose worker did not say it.

    Args:
        run: the run.
        cause: why its worker was ended.
        code: as `subprocess` gives it, negative for a signal; None when it has not ended yet.
        seconds: what the run took.
    """
    outcome, name, sentence = _told(cause, code)
    return Ended(run=run, outcome=outcome, code=name, sentence=sentence, seconds=seconds)


def ending(code: int | None) -> str:
    """Return in words how a process ended; the code as `subprocess` gives it."""
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return f"signal {signal.Signals(-code).name}"
    return f"exit code {code}"


def _told(cause: Cause, code: int | None) -> tuple[Outcome, str, str]:
    if cause is Cause.STOPPED:
        return "stopped", "stopped", "the run was stopped with the service"
    if cause is Cause.LATE:
        return "late", "timeout", "the run took longer than it may, and its worker was ended"
    if cause is Cause.UNREADY:
        said = f"a worker process could not take the order: {ending(code)}"
        return "no-room", "worker-start", said
    if cause is Cause.NONSENSE:
        return "died", "worker-nonsense", "the worker said what no worker may say, and was ended"
    if code == -signal.SIGXCPU:
        return "late", "cpu-limit", "the run used more processor time than it may"
    how = ending(code)
    if code == -signal.SIGKILL:
        how = "killed, by the system for lack of memory or by somebody"
    if code is None:
        how = "it closed the pipe for its messages"
    return "died", "worker-ended", f"the worker process ended by itself: {how}"


def _stands(out: Path, message: Ended) -> bool:
    """Tell whether a run folder is there whose manifest has the counts that were said."""
    try:
        if not stat.S_ISDIR(out.lstat().st_mode):
            return False
        content = json.loads(Fs().read(out / MANIFEST, _LARGEST_MANIFEST))
        counts = content["counts"]
        return content["manifest"] == 1 and all(
            counts[name] == count for name, count in message.counts.items()
        )
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False
