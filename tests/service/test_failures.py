"""What a worker says of an error: what kind it is, and never what stood on a card."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.errors import (
    AccountError,
    ConfigError,
    DeckwrightError,
    GroupReturnsError,
    GroupTooLargeError,
    MasterError,
    ObserverError,
    OutputError,
    StageError,
    TooManyReturnedError,
    UnreadableDeckError,
)
from deckwright.service.workers.failures import while_loading, while_running


def raised(error: BaseException, cause: BaseException | None = None) -> BaseException:
    """Return an error as it comes out of a raise in a test, not of the program."""
    try:
        raise error from cause  # noqa: TRY301 # all that is done here
    except BaseException as found:  # noqa: BLE001
        return found


SECRET = "4711 SECRET"  # noqa: S105 # what stands on a card
# what is raised, and the outcome and code that it must be told with
FAULTS: list[tuple[Callable[[], BaseException], str, str]] = [
    (lambda: ValueError(SECRET), "stage", "stage-failed"),
    (lambda: DeckwrightError(SECRET), "stage", "stage-failed"),
    (lambda: ConfigError([]), "stage", "stage-failed"),
    (lambda: StageError(SECRET, SECRET, 1, 2, SECRET), "stage", "stage-failed"),
    (lambda: AccountError(SECRET, SECRET, SECRET, [1]), "stage", "stage-failed"),
    (lambda: ObserverError(SECRET, SECRET), "stage", "stage-failed"),
    (lambda: OutputError(SECRET, SECRET), "stage", "stage-failed"),
    (lambda: MasterError(SECRET, SECRET), "job", "master"),
    (lambda: KeyboardInterrupt(SECRET), "stage", "stage-failed"),
    (lambda: SystemExit(SECRET), "stage", "stage-failed"),
    (lambda: MemoryError(SECRET), "stage", "limit"),
    (lambda: OSError(errno.EFBIG, SECRET), "stage", "limit"),
    (lambda: OSError(errno.ENOMEM, SECRET), "stage", "limit"),
    (lambda: OSError(errno.ENOENT, SECRET), "stage", "stage-failed"),
    (lambda: OSError(errno.ENOSPC, SECRET), "no-room", "no-room"),
    (lambda: OSError(errno.EACCES, SECRET), "no-room", "no-room"),
    (lambda: OSError(f"{SECRET} (os error 28)"), "no-room", "no-room"),
    (lambda: pl.exceptions.ComputeError(f"{SECRET} (os error 28)"), "no-room", "no-room"),
    (lambda: pl.exceptions.ComputeError(f"{SECRET} (os error 27)"), "stage", "limit"),
    (lambda: pl.exceptions.ComputeError(SECRET), "stage", "stage-failed"),
    (lambda: UnreadableDeckError("d", "holds nothing"), "deck", "deck-unreadable"),
    (lambda: UnreadableDeckError("d", "was changed while it was read"), "deck", "deck-changed"),
    (lambda: TooManyReturnedError("s", 3, 4, "2", "look"), "deck", "too-many-returned"),
    (lambda: GroupReturnsError("s", SECRET, "card 3", ["item"]), "deck", "group-again"),
    (lambda: GroupTooLargeError("s", SECRET, 9, 8, "m", "n", "o"), "deck", "group-too-large"),
]


@pytest.mark.parametrize(("make", "outcome", "code"), FAULTS)
def test_every_kind_of_error_is_told_rightly_and_never_quoted(make, outcome, code) -> None:
    fault = while_running(raised(make()), "deck", Path("/nowhere"))
    assert (fault.outcome, fault.code) == (outcome, code)
    assert SECRET not in fault.ended("0" * 16 + "-" + "0" * 6 + "-1", 0.0).model_dump_json()


def test_what_a_stage_may_not_open_is_its_own_fault_but_a_full_disk_is_not() -> None:
    for code, outcome in ((errno.EACCES, "stage"), (errno.EMFILE, "stage"), (28, "no-room")):
        cause = raised(OSError(code, SECRET))
        error = raised(StageError("stage 3 (bad)", "x", 1, 2, SECRET), cause)
        assert while_running(error, "deck", Path("/nowhere")).outcome == outcome


def test_open_files_are_a_limit_only_where_the_process_has_one() -> None:
    error = raised(OSError(errno.EMFILE, SECRET))
    for confined, outcome in ((False, "no-room"), (True, "stage")):
        for told in (while_running, while_loading):
            assert told(error, "d", Path("/nowhere"), confined=confined).outcome == outcome


@given(st.text(max_size=40), st.text(max_size=40), st.integers(0, 60))
@settings(max_examples=60, deadline=None)
def test_any_text_in_any_error_makes_a_message_without_it(name, text, depth) -> None:
    secret = f"\0{text}\x1b{SECRET}"
    strange = type(name.replace("\0", "") or "x", (Exception,), {})

    def deep(left: int) -> None:
        if left:
            deep(left - 1)
        raise strange(secret)

    try:
        deep(depth)
    except Exception as error:  # noqa: BLE001
        fault = while_running(error, "deck", Path("/nowhere"))
    ended = fault.ended("0" * 16 + "-" + "0" * 6 + "-1", 0.0)
    assert SECRET not in ended.model_dump_json()
    assert ended.sentence.isprintable()
    assert len(ended.where) <= 40
