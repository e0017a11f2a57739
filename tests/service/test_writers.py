"""Hundreds of decks that other processes write into the inbox in every way, while it is served."""

from __future__ import annotations

from itertools import accumulate
from pathlib import Path

import pytest

from service.contract import assert_contract
from service.house import House, cards_of, house, run_of
from service.writers import WAYS, pieces, process

SETTLE_S = 1.0
LONG, SHORT = 3 * SETTLE_S, SETTLE_S / 4
"""The longest pauses of a writer, in seconds: longer than a deck takes to settle, and shorter."""

MARKED = ("marked", "digested")
BARE = ("appended", "digested")
"""Ways that no lease and no marker keeps from being taken in a pause."""

DECKS = 200
"""Decks that are written in each way."""

pytestmark = [pytest.mark.long, pytest.mark.timeout(900)]


def sources(made: House, ways: tuple[str, ...], decks: int) -> dict[str, bytes]:
    """Lay the decks that each way is to write aside, in a folder each; return all by name."""
    found = {}
    for number, way in enumerate(ways):
        folder = made.root.parent / f"{way}.sources"
        folder.mkdir()
        for each in range(decks):
            name = f"{way}-{each:03}"
            found[name] = cards_of(1 + number * decks + each)
            (folder / name).write_bytes(found[name])
    return found


def write(made: House, ways: tuple[str, ...]) -> None:
    """Have a process write the decks of each way; wait until all have ended."""
    writers = []
    for way in ways:
        folder = made.root / "inbox" / (way if way in MARKED else "cards")
        folder.mkdir(exist_ok=True)
        source, longest = made.root.parent / f"{way}.sources", SHORT if way in BARE else LONG
        writers.append(process(way, folder, source, longest))
    assert [writer.wait(600) for writer in writers] == [0] * len(writers)


def test_every_deck_is_taken_whole_in_whatever_way_it_is_written(counts) -> None:
    with house() as made:
        markers = "".join(f"[jobs.{way}]\nrequire_marker = true\n" for way in MARKED)
        made.settings(markers, settle_s=SETTLE_S, workers=2)
        for way in MARKED:
            made.job(way)
        written = sources(made, tuple(WAYS), DECKS)
        with made.serving():
            write(made, tuple(WAYS))
            for name, data in written.items():
                made.done(run_of(name, data))
        tally = assert_contract(made.root, written, ended=True)
        assert (tally.done, tally.returned) == (len(written), 0)
        assert len(list((made.root / "done").iterdir())) == len(written)
        counts(decks=len(written))


def test_a_deck_that_is_taken_too_early_is_lost_by_no_byte_and_flagged(counts) -> None:
    """No lease tells that the writer still has it open, through claim, run and commit."""
    ways = ("in_place", "old_times")
    with house() as made:
        made.settings(lease=False, settle_s=SETTLE_S, workers=2)
        written = sources(made, ways, DECKS)
        with made.serving():
            write(made, ways)
            for name, data in written.items():
                made.done(run_of(name, data))
        grown = {name: tuple(accumulate(pieces(data))) for name, data in written.items()}
        assert_contract(made.root, grown, ended=True)
        early = [home for home in Path(made.root, "done").iterdir() if is_half(home, written)]
        late = {event["run"] for event in made.events("late_bytes")}
        assert {home.name for home in early} == late
        counts(decks=len(written), too_early=len(early),
               back_in_inbox=len(made.events("deck_back_in_inbox")))  # fmt: skip


def is_half(home: Path, written: dict[str, bytes]) -> bool:
    """Tell whether a run was made of a part of its deck."""
    name = (home / "deck").read_bytes()
    return home.name.rpartition("-")[0] not in {
        run_of(each, data).rpartition("-")[0] for each, data in written.items() if data == name
    }
