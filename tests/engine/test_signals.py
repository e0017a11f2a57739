"""A signal ends a run by an error of its own, once, and later signals mean what they did."""

from __future__ import annotations

import signal
import threading

import pytest

from deckwright.engine.passes.signals import interruptible
from deckwright.errors import InterruptedRunError

BOTH = (signal.SIGINT, signal.SIGTERM)


def handlers() -> list[object]:
    return [signal.getsignal(number) for number in BOTH]


@pytest.mark.parametrize("number", BOTH)
def test_a_signal_is_an_error_and_the_next_does_not_disturb_the_tidying_up(number) -> None:
    before, tidied = handlers(), []

    def run() -> None:
        try:
            signal.raise_signal(number)
        finally:
            tidied.extend(map(signal.raise_signal, BOTH))

    with pytest.raises(InterruptedRunError) as caught, interruptible():
        run()
    assert len(tidied) == 2
    assert caught.value.exit_code == 128 + number
    assert handlers() == before


def test_without_a_signal_nothing_stays_changed() -> None:
    before = handlers()
    with interruptible():
        assert handlers() != before
    assert handlers() == before


def test_in_another_thread_signals_are_left_alone() -> None:
    before, seen = handlers(), []

    def run() -> None:
        with interruptible():
            seen.append(handlers())

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert seen == [before]
