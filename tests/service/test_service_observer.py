"""Many decks: whatever the system tells of them, all are taken, and in good time.

Most decks here hold the same bytes, so that all but the first come back at once as duplicates:
whether they are taken is what counts.
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from service.house import House, card, cards_of, deck, house
from sets import first_line, sizes

SAME = '[jobs.cards]\nduplicate_scope = "content"\n'


def flood(made: House, count: int, name: str) -> list[str]:
    """Lay many decks of the same bytes; return their runs."""
    return [made.drop(f"{name}-{number}.txt", cards_of(1)) for number in range(count)]


@pytest.mark.parametrize("observer", first_line(["none", "polling"], "polling"))
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


@pytest.mark.parametrize("count", sizes(60, slow=300, long=6000))
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


def resident(made: House) -> int:
    """Return the bytes that the service holds in memory."""
    assert made.process is not None
    status = Path(f"/proc/{made.process.pid}/statm").read_text()
    return int(status.split()[1]) * os.sysconf("SC_PAGE_SIZE")


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("count", sizes(15, slow=60, long=10_000))
def test_of_many_decks_only_those_that_are_soon_run_are_taken(count) -> None:
    with house(workers=2) as made, made.serving():
        made.done(made.drop("first.txt", cards_of(1)))
        before, most = resident(made), 0

        def look(run: str) -> bool:
            nonlocal most
            most = max(most, len(list((made.root / "work").iterdir())))
            return made.state(run) == "done"

        runs = [made.drop(f"{n}.txt", deck(*[card(n, n)] * 50)) for n in range(2, count + 2)]
        for run in runs:
            made.wait(lambda run=run: look(run), run)
        assert 2 <= most <= 2 + 2
        assert resident(made) - before < 64 << 20


@pytest.mark.slow
def test_a_large_deck_holds_up_no_small_ones() -> None:
    with house(large="10 KiB") as made:
        made.gated("slow")
        with made.serving():
            large = [made.drop(f"{n}.txt", cards_of(n, cards=200), "slow") for n in range(2)]
            made.at_gate("slow")
            for number in range(5):
                made.done(made.drop(f"small-{number}.txt", cards_of(number)))
            assert [made.state(run) for run in large] == ["work", ""]
            made.open_gate("slow")
            for run in large:
                made.done(run)
        assert made.check(ended=True).done == 7
