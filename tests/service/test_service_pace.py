"""That no worker waits for what the service still does with the deck before."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from deckwright.service.daemon import Service
from deckwright.service.workers.messages import Ended, Progress

ENDED = Ended(run="0123456789abcdef-fedcba-1", outcome="stopped")
PROGRESS = Progress(run=ENDED.run, stage="decode", done=1, total=2)


@pytest.mark.parametrize(
    ("said", "stopping", "calls"),
    [
        ([ENDED], 0, ["start", "end"]),
        ([PROGRESS, ENDED, ENDED], 0, ["start", "end", "end"]),
        ([PROGRESS], 0, []),
        ([ENDED], 15, ["end"]),
    ],
)
def test_a_free_worker_gets_its_next_deck_before_the_one_before_is_committed(
    said, stopping, calls
) -> None:
    made: list[str] = []
    runs = SimpleNamespace(
        open={ENDED.run: SimpleNamespace()},
        start_free=lambda _pool: made.append("start"),
        end=lambda _ended: made.append("end"),
    )
    pool = SimpleNamespace(poll=lambda: said)
    Service._poll(SimpleNamespace(pool=pool, runs=runs, stop_wanted=stopping))  # noqa: SLF001
    assert made == calls
