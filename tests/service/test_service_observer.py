"""What the system tells of new files is a hint only: every deck is taken without it as well.

Most decks here hold the same bytes, so that all but the first come back at once as duplicates:
whether they are taken is what counts.
"""

from __future__ import annotations

import signal

import pytest

from service.house import House, cards_of, house

SAME = '[jobs.cards]\nduplicate_scope = "content"\n'


def flood(made: House, count: int, name: str) -> list[str]:
    """Lay many decks of the same bytes; return their runs."""
    return [made.drop(f"{name}-{number}.txt", cards_of(1)) for number in range(count)]


@pytest.mark.parametrize("observer", ["none", "polling", "native"])
def test_every_deck_is_taken_whatever_the_observer_is(observer) -> None:
    with house() as made:
        made.settings(SAME, observer=observer)
        early = flood(made, 20, "early")
        with made.serving():
            for run in early:
                made.end_of(run)
            for run in flood(made, 20, "late"):
                made.end_of(run)
        tally = made.check(ended=True)
        assert (tally.done, tally.returned) == (1, 39)


@pytest.mark.parametrize("count", [300, pytest.param(6000, marks=pytest.mark.long)])
def test_every_deck_is_taken_that_came_while_the_service_stood_still(count) -> None:
    with house() as made:
        made.settings(SAME, observer="native")
        made.start()
        made.done(made.drop("first.txt", cards_of(1)))
        made.signal(signal.SIGSTOP)
        runs = flood(made, count, "flood")
        made.signal(signal.SIGCONT)
        for run in runs:
            assert made.returned(run) == ["duplicate"]
        made.stop()
        tally = made.check(ended=True)
        assert (tally.done, tally.returned) == (1, count)
