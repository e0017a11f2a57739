"""How a failed run is told: which outcome, whose fault, where, and never what stood on a card.

The text of an exception is passed on only where the program itself wrote it. That of any other may
hold card contents, so only its type, the stage and the places in the source are told.
"""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType, TracebackType

from deckwright.errors import (
    AccountError,
    CarriedFileError,
    ConfigError,
    GroupError,
    GroupTooLargeError,
    InterruptedRunError,
    MasterError,
    ObserverError,
    OutputError,
    PluginError,
    PluginFailedError,
    StageError,
    TooManyReturnedError,
    UnreadableDeckError,
)
from deckwright.service.system.places import shown
from deckwright.service.workers.messages import Ended, Outcome

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_BARRED = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})
_FAILING = frozenset({errno.EIO, errno.EMFILE, errno.ENFILE})
_LIMITS = {
    errno.EFBIG: "wrote a longer file than a worker may write",
    errno.ENOMEM: "needed more memory than a worker may use",
}
_DESCRIPTORS = "held more files open than a worker may"
_MOST_FRAMES, _LONGEST_FRAME, _LONGEST = 40, 300, 20_000
_CHAIN = 20  # causes that are followed
# the frame library gives no number but in its text
_IN_TEXT = re.compile(r"\(os error (\d{1,4})\)\s*$")
_NAME = re.compile(r"^[A-Za-z_][A-Za-z0-9_]{0,63}$")
_CARD = re.compile(r"\bcard (\d{1,18})\b")
_PACKAGE = Path(__file__).parents[2]
# functions of the engine in which a stage is at work, and holds the name `step`
_AT_WORK = frozenset({"_step", "open", "_prepare", "_open_outputs", "_finish_stages"})


@dataclass(frozen=True, slots=True)
class Fault:
    """What to tell of a failed run; see `Ended`."""

    outcome: Outcome
    code: str
    sentence: str
    stage: str = ""
    card: int | None = None
    remedy: str = ""
    where: tuple[str, ...] = ()

    def ended(self, run: str, seconds: float) -> Ended:
        """Return it as the message about a run."""
        return Ended(
            run=run,
            outcome=self.outcome,
            code=self.code[:64],
            stage=shown(self.stage)[:200],
            card=self.card,
            sentence=self.sentence[:_LONGEST],
            remedy=self.remedy[:4096],
            where=list(self.where),
            seconds=seconds,
        )


def no_room(code: int) -> Fault:
    """Return that the place cannot take more now."""
    return Fault("no-room", "no-room", f"there was no room: {os.strerror(code).lower()}")


def while_loading(error: BaseException, deck: str, base: Path, *, confined: bool = False) -> Fault:
    """Return what an error means that came up before any card was read: the job is at fault.

    Arguments as for `while_running`.
    """
    code = _system_code(error)
    if code in _FULL | _FAILING and not (confined and code == errno.EMFILE):
        return no_room(code or 0)
    if isinstance(error, ConfigError):
        told = "; ".join(str(fault).replace(f"{base}{os.sep}", "") for fault in error.faults[:20])
        return Fault("job", "config", told)
    if isinstance(error, PluginError) and _is_own(error):
        return Fault("job", "plugin", str(error).replace(f"{base}{os.sep}", ""))
    found = while_running(error, deck, base, confined=confined)
    if found.outcome != "stage" or found.code == "limit":
        return found
    sentence = f"the job cannot be loaded: {_type_name(_cause(error))}"
    return Fault("job", "load-failed", sentence, found.stage, where=found.where)


def while_running(error: BaseException, deck: str, base: Path, *, confined: bool = False) -> Fault:
    """Return what an error means that came up in a run.

    Args:
        error: what was raised.
        deck: what the deck is called.
        base: the folder of the job file; files in it are named without it.
        confined: the process has a limit of its own on open files, which waiting does not lift.
    """
    if isinstance(error, InterruptedRunError):
        return Fault("stopped", "stopped", "the run was stopped")
    code = _system_code(error)
    limit = _DESCRIPTORS if confined and code == errno.EMFILE else _limit(error, code)
    if limit is None and code in _place_codes(error):
        return no_room(code or 0)
    if isinstance(error, (UnreadableDeckError, TooManyReturnedError, GroupError)):
        return _of_deck(error, deck)
    if isinstance(error, MasterError):
        return _master(error)
    return _stage(error, limit, base)


def frames_of(error: BaseException, base: Path) -> tuple[str, ...]:
    """Return `file:line function` of each call, the last calls last, without any value."""
    found = [_place(frame, line, base) for frame, line in _frames(error)]
    if len(found) > _MOST_FRAMES:
        found = [*found[: _MOST_FRAMES // 4], *found[-_MOST_FRAMES * 3 // 4 :]]
    return tuple(found)


def _place_codes(error: BaseException) -> frozenset[int]:
    """Return which system errors mean that the place has no room, by who met with them.

    What a stage itself may not open, and a master that may not be read, are not put right by
    waiting; what the engine may not write is.
    """
    if isinstance(error, StageError) and not isinstance(error, PluginFailedError):
        return _FULL
    if isinstance(error, MasterError):
        return _FULL | _FAILING
    return _FULL | _FAILING | _BARRED


def _unreadable(error: UnreadableDeckError, deck: str) -> Fault:
    changed = "while it was read" in error.what
    card = _CARD.search(error.what)
    return Fault(
        "deck",
        "deck-changed" if changed else "deck-unreadable",
        f"deck {deck!r} {error.what}",
        card=int(card[1]) if card else None,
        remedy=error.remedy,
    )


def _of_deck(error: UnreadableDeckError | TooManyReturnedError | GroupError, deck: str) -> Fault:
    if isinstance(error, UnreadableDeckError):
        return _unreadable(error, deck)
    if isinstance(error, GroupError):
        kind = "too-large" if isinstance(error, GroupTooLargeError) else "again"
        return Fault("deck", f"group-{kind}", error.told, error.stage, remedy=error.remedy)
    page = f"; {Path(error.page).name} shows the first failed cards" if error.page else ""
    remedy = f"{error.hint}{page}"
    return Fault("deck", "too-many-returned", error.sentence, error.stage, remedy=remedy)


def _master(error: MasterError) -> Fault:
    """Return the fault without what it quotes of the master: the sentence goes into the log."""
    if not _is_own(error, plugins=True):
        return Fault("job", "master", "a stage says that its master cannot be used")
    short = error.what.partition(";")[0].partition(": ")[0]
    remedy = "run the job by hand, which tells more"
    return Fault("job", "master", f"master {error.name!r} cannot be used: {short}", remedy=remedy)


def _stage(error: BaseException, limit: str | None, base: Path) -> Fault:
    cause = _cause(error)
    stage = _stage_of(error)
    who = stage or "the run"
    where = frames_of(error, base)
    if limit is not None:
        return Fault("stage", "limit", f"{who} {limit}", stage, where=where)
    if isinstance(error, ObserverError) and _is_own(error):
        return Fault("stage", "observer", f"an observer failed in {error.hook}", where=where)
    if isinstance(error, OutputError) and _is_own(error):
        return Fault("stage", "output", f"the run folder {error.what}", where=where)
    if isinstance(error, CarriedFileError) and _is_own(error):
        return Fault("job", "next-master", str(error), stage)
    if isinstance(error, PluginError) and _is_own(error):
        code = "account" if isinstance(error, AccountError) else "plugin"
        return Fault("stage", code, str(error), stage, where=where)
    sentence = f"{who} failed: {_type_name(cause)}"
    return Fault("stage", "stage-failed", sentence, stage, where=where)


def _cause(error: BaseException) -> BaseException:
    """Return what a plugin raised."""
    return error.__cause__ if isinstance(error, StageError) and error.__cause__ else error


def _limit(error: BaseException, code: int | None) -> str | None:
    """Return which limit of a worker a run came up against, if it is one."""
    if any(isinstance(each, MemoryError) for each in _chain(error)):
        return _LIMITS[errno.ENOMEM]
    return _LIMITS.get(code) if code else None


def _system_code(error: BaseException) -> int | None:
    """Return the number of the system error behind an error, if there is one."""
    for each in _chain(error):
        if isinstance(each, OSError) and each.errno:
            return each.errno
        ours = type(each).__module__.split(".")[0] in {"polars", "builtins"}
        if ours and isinstance(each, Exception) and (found := _IN_TEXT.search(_text(each))):
            return int(found[1])
    return None


def _text(error: Exception) -> str:
    return str(error.args[0])[-200:] if error.args and isinstance(error.args[0], str) else ""


def _chain(error: BaseException) -> Iterator[BaseException]:
    here: BaseException | None = error
    for _ in range(_CHAIN):
        if here is None:
            return
        yield here
        here = here.__cause__ or (None if here.__suppress_context__ else here.__context__)


def _is_own(error: BaseException, *, plugins: bool = False) -> bool:
    """Tell whether the program itself raised an error, and so wrote its text."""
    if not type(error).__module__.startswith("deckwright.errors."):
        return False
    frames = list(_walk(error.__traceback__))
    if not frames:
        return False
    file = Path(frames[-1][0].f_code.co_filename)
    name = str(frames[-1][0].f_globals.get("__name__", ""))
    return file.is_relative_to(_PACKAGE) or (plugins and name.startswith("deckwright_plugins."))


def _stage_of(error: BaseException) -> str:
    """Return the label of the stage that was at work, "" when none was."""
    if isinstance(error, (StageError, AccountError)) and _is_own(error):
        return error.stage
    label = ""
    for frame, _ in _frames(error):
        module = str(frame.f_globals.get("__name__", ""))
        if module.startswith("deckwright.engine.") and frame.f_code.co_name in _AT_WORK:
            label = getattr(frame.f_locals.get("step"), "label", label)
    return str(label)


def _frames(error: BaseException) -> Iterator[tuple[FrameType, int]]:
    yield from _walk(error.__traceback__)
    if isinstance(error, StageError) and error.__cause__ is not None:
        yield from _walk(error.__cause__.__traceback__)


def _walk(place: TracebackType | None) -> Iterator[tuple[FrameType, int]]:
    while place is not None:
        yield place.tb_frame, place.tb_lineno
        place = place.tb_next


def _place(frame: FrameType, line: int, base: Path) -> str:
    """Return file, line and function, the file without the folders of this machine."""
    file = Path(frame.f_code.co_filename)
    roots = [base, *sorted((Path(each) for each in sys.path if each), key=_depth, reverse=True)]
    root = next((each for each in roots if file.is_relative_to(each)), file.parent)
    name = shown(file.relative_to(root).as_posix())
    return f"{name}:{line} {shown(frame.f_code.co_name)}"[:_LONGEST_FRAME]


def _depth(path: Path) -> int:
    return len(path.parts)


def _type_name(error: BaseException) -> str:
    name = type(error).__name__
    return name if _NAME.match(name) else "an exception"
