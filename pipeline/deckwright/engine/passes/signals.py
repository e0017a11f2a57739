"""Ending a run on SIGINT or SIGTERM: soon, and with nothing left behind."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from deckwright.errors import InterruptedRunError

_SIGNALS = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def interruptible() -> Iterator[None]:
    """Raise InterruptedRunError in the main thread when one of the signals comes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in _SIGNALS}

    def stop(number: int, _: FrameType | None) -> None:
        for each in _SIGNALS:  # a second signal must not break the tidying up
            signal.signal(each, signal.SIG_IGN)
        raise InterruptedRunError(number)

    for number in _SIGNALS:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
