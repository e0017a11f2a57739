"""The service is stopped and killed at any moment: it ends in time, and nothing is lost or changed.

Which moments are tried differs from run to run only by what the machine is doing besides.
"""

from __future__ import annotations

import random
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.contract import assert_ledger, files_of, outcome_of
from service.house import House, card, cards_of, chain, deck, house, run_of
from sets import sizes

STOP_S = 0.5
UNREADABLE = "ß\n".encode("utf-16")
SEED = 20310506


def decks(number: int) -> dict[str, bytes]:
    """Return some decks that are done, that come back, and with cards that come back."""
    found = {f"{number}-{n}.txt": cards_of(10 * number + n, cards=20) for n in range(3)}
    found[f"{number}-back.txt"] = UNREADABLE * (number + 1)
    found[f"{number}-faulty.txt"] = deck(*(card(n + 1, number) for n in range(5)), "?????")
    return found


def pauses(count: int, seed: int, longest: float) -> Iterator[float]:
    """Yield random pauses, more short ones than long ones."""
    dice = random.Random(seed)  # noqa: S311 # no secret
    for _ in range(count):
        yield longest * dice.random() ** 2


def pause(seconds: float) -> None:
    time.sleep(seconds)  # the moment is what is tried here; nothing is expected of it


@pytest.mark.parametrize("stops", sizes(slow=6, long=100))
def test_stopped_at_any_moment_it_ends_well_and_the_next_start_goes_on(stops, counts) -> None:
    with house(stop_s=STOP_S, workers=2) as made:
        made.gated("stubborn", stubborn=True)
        running = 0
        for number, seconds in enumerate(pauses(stops, SEED, 1)):
            made.drop_all(decks(number))
            made.start(wait=number % 3 > 0)
            if number % 3 == 2:
                before = len(list(made.gates.iterdir()))
                made.drop(f"hangs-{number}.txt", cards_of(number), "stubborn")
                made.at_gate("stubborn", before + 1)
            pause(seconds)
            made.signal(signal.SIGTERM)
            begun = time.monotonic()
            code = made.ended()
            # before the program is loaded, the system itself ends the process
            assert code == 0 or (code == -signal.SIGTERM and not made.since_start()), made.words()
            # a bound that only a stop that waits for what runs could miss
            assert time.monotonic() - begun < STOP_S + 120
            assert "Traceback" not in made.words()
            made.check()
            stopping = made.events("service_stopping")
            running += bool(stopping and stopping[0]["running"])
        made.open_gate("stubborn")
        made.once()
        tally = made.check(ended=True)
        assert tally.returned == stops
        assert running >= stops // 3
        assert_ledger(made.root)
        counts(stops=stops, while_something_ran=running)


@pytest.mark.slow
def test_a_second_signal_ends_it_at_once() -> None:
    with house(stop_s=3600) as made:
        made.gated("stubborn", stubborn=True)
        made.start()
        run = made.drop("hangs.txt", cards_of(1), "stubborn")
        made.at_gate("stubborn")
        made.signal(signal.SIGTERM)
        made.told("service_stopping", running=[run])
        pause(0.3)  # so that it waits for what runs
        made.signal(signal.SIGTERM)
        assert made.ended() == 0, made.words()
        assert made.state(run) == "work"
        made.open_gate("stubborn")
        made.once()
        assert made.check(ended=True).done == 1


def test_what_ends_in_the_time_that_a_stop_gives_is_done() -> None:
    with house(stop_s=3600) as made:
        made.gated("slow", stubborn=True)
        made.start()
        run = made.drop("ends.txt", cards_of(1), "slow")
        made.at_gate("slow")
        made.signal(signal.SIGTERM)
        made.told("service_stopping", running=[run])
        made.open_gate("slow")
        assert made.ended() == 0, made.words()
        made.once()
        made.done(run)
        assert made.check(ended=True).done == 1


@pytest.mark.slow
def test_a_stop_takes_no_more_decks_and_counts_no_try() -> None:
    with house(stop_s=STOP_S) as made:
        made.gated("slow")
        made.start()
        run = made.drop("slow.txt", cards_of(1), "slow")
        made.at_gate("slow")
        made.stop()
        assert made.state(run) == "work"
        assert {path.name for path in (made.root / "work" / run).iterdir()} == {
            "claim.json",
            "deck",
        }
        later = made.drop("later.txt", cards_of(2))
        made.open_gate("slow")
        made.start()
        made.done(run)
        made.done(later)
        assert made.told("recovered")["resumed"] == []
        made.stop()


# ---- killed


def story(made: House) -> None:
    """Write jobs, one of which moves on a master."""
    # each kill while a deck runs is a try of that deck
    made.settings(made.lane(), stop_s=STOP_S, workers=2, retry={"tries": 100})
    made.job("sorted", chain({"kind": "sort", "keys": ["amount"]}))


def lay(made: House, number: int) -> None:
    """Lay seven decks for three jobs."""
    made.drop(f"moves-{number}.txt", cards_of(number), "stock")
    made.drop_all(decks(number))
    made.drop(f"sorted-{number}.txt", cards_of(number, cards=30), "sorted")


def left(root: Path) -> dict[str, str]:
    """Return what a service has brought about but for the claims, which know when and in what order
    decks came.
    """
    return {
        name: digest for name, digest in outcome_of(root).items() if not name.endswith("claim.json")
    }


def uninterrupted(count: int) -> dict[str, str]:
    """Return what a service brings about that nobody kills."""
    with house() as made:
        story(made)
        for number in range(count):
            lay(made, number)
        made.once()
        assert made.check(ended=True).returned == count
        return left(made.root)


@pytest.mark.parametrize("kills", sizes(slow=5, long=100))
def test_killed_at_any_moment_the_same_bytes_come_out(kills, counts) -> None:
    with house() as made:
        story(made)
        moments = 0
        for number, seconds in enumerate(pauses(kills, SEED, 1)):
            lay(made, number)
            made.start(wait=number % 5 > 0)
            if number % 5 > 2:  # in the midst of it, however fast the machine is
                made.told("run_done")
            pause(seconds)
            made.kill()
            made.check()
            moments += any((made.root / "work").iterdir())
        made.once()
        tally = made.check(ended=True)
        assert (tally.done, tally.returned) == (6 * kills, kills)
        assert left(made.root) == uninterrupted(kills)
        assert_ledger(made.root)
        last = run_of(f"moves-{kills - 1}.txt", cards_of(kills - 1))
        next_master = made.root / "done" / last / "out" / "out" / "next.csv"
        current = made.root / "master" / "stock" / "current"
        assert current.read_bytes() == next_master.read_bytes()
        assert files_of(made.root / "inbox") == {}
        assert moments
        counts(kills=kills, with_decks_under_way=moments)
