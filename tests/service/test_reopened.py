"""A writer that opens its deck by name again and again while the service runs, in real time."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from deckwright.service.inbox.settling import OPEN_END
from service.house import House, cards_of, house, run_of
from service.writers import pieces, process

SETTLE_S = 0.1
NAME = "deck.txt"
DECK = cards_of(7, 9)


def runs_in(made: House) -> list[str]:
    """Return the done runs in the order in which they were taken."""
    runs = [home.name for home in (made.root / "done").iterdir()]
    return sorted(runs, key=lambda run: made.claim(run).order)


@pytest.mark.slow
def test_a_deck_that_is_opened_again_within_the_stall_is_taken_once_and_whole(
    tmp_path: Path,
) -> None:
    """Its writer pauses for many times as long as a deck needs to settle, inside a line."""
    source = tmp_path / NAME
    source.write_bytes(DECK)
    assert all(not piece.endswith(b"\n") for piece in pieces(DECK)[:-1])
    with house(settle_s=SETTLE_S, scan_s=SETTLE_S, stall_s=120) as made:
        with made.serving():
            made.dropped.append((NAME, DECK))
            writer = process(
                "appended", made.root / "inbox" / "cards" / NAME, source, 20 * SETTLE_S
            )
            made.told("deck_unsettled", place=f"cards/{NAME}", why=OPEN_END)
            assert writer.poll() is None
            made.done(run_of(NAME, DECK))
            assert writer.wait(120) == 0
            assert runs_in(made) == [run_of(NAME, DECK)]
            assert made.claim(run_of(NAME, DECK)).open_end == 0
        assert made.check(ended=True).done == 1


def test_parts_that_a_writer_adds_after_the_stall_name_each_other_and_lose_nothing() -> None:
    with house(settle_s=SETTLE_S, scan_s=SETTLE_S, stall_s=5 * SETTLE_S) as made:
        with made.serving():
            for number, piece in enumerate(pieces(DECK), start=1):
                with (made.root / "inbox" / "cards" / NAME).open("ab") as file:
                    file.write(piece)
                made.dropped.append((NAME, piece))
                made.done(run_of(NAME, piece))
                assert len(runs_in(made)) == number
            runs = runs_in(made)
            assert (
                b"".join((made.root / "done" / run / "deck").read_bytes() for run in runs) == DECK
            )
            claims = [made.claim(run) for run in runs]
            assert [bool(claim.open_end) for claim in claims] == [True, True, True, False]
            before = [claim.continues.run if claim.continues else None for claim in claims]
            assert before == [None, *runs[:-1]]
            made.told("run_done", run=runs[-1])
            told = [(each["run"], each["by"]) for each in made.events("deck_continued")]
            assert told == list(pairwise(runs))
        assert made.check(ended=True).done == len(runs)
