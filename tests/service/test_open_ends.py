"""Decks of lines that end inside a line: given time, and never taken without a mark."""

from __future__ import annotations

import dataclasses
import os
import sqlite3
import tempfile
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.intake import Intake
from deckwright.service.inbox.settling import OPEN_END, UNSETTLED, Route
from deckwright.service.operate.control import Request
from deckwright.service.operate.status import gather
from deckwright.service.operate.verify import verify
from deckwright.service.store.lineends import first_line, may_join, open_end
from deckwright.service.store.records import Claim, load
from service.inbox_kit import Box
from service.kit import CARDS, Rig, spec_with
from service.writers import SetClock

WIDTH = 80
LINES = Route("job", (), None, require_marker=False, longest=WIDTH)
HALF = b"a card of the deck\nhalf a ca"


@pytest.fixture
def lines(make_box) -> Box:
    """Return an inbox of a job whose cards are lines."""
    return make_box(LINES)


def opened(path: Path, ask) -> int:
    with path.open("rb") as file:
        return ask(file.fileno())


# ---- where a deck ends


@given(
    st.lists(st.text("AB ", min_size=1, max_size=WIDTH), min_size=1, max_size=6),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.data(),
)
def test_a_deck_that_is_cut_has_an_open_end_exactly_where_a_card_is_cut(cards, end, data):
    whole = "".join(card + end for card in cards).encode()
    cut = data.draw(st.integers(1, len(whole)))
    ends = {len("".join(c + end for c in cards[: n + 1])) for n in range(len(cards))}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "deck")
        path.write_bytes(whole[:cut])
        tail = opened(path, lambda descriptor: open_end(descriptor, WIDTH))
        path.write_bytes(whole[cut:])
        first = opened(path, first_line)
    if end == "\r" and whole[:cut].count(b"\r") == 1 and whole[:cut].endswith(b"\r"):
        assert tail > 0  # it may be half of a CR LF
        return
    assert (tail > 0) == (cut not in ends)
    if tail:
        assert may_join(tail, first, WIDTH)
        assert may_join(tail, first, 0)


@pytest.mark.parametrize(
    "data", [b"X" * (WIDTH + 1), b"card\n" + b"X" * (WIDTH + 1), "\ufeffcard\n".encode("utf-16-le")]
)
def test_what_is_no_deck_of_lines_has_no_open_end(lines, data):
    lines.put("deck", data)
    assert lines.settle() == ["deck"]


def test_two_whole_cards_without_a_line_end_between_them_are_no_halves():
    assert not may_join(WIDTH, WIDTH, WIDTH)
    assert may_join(WIDTH, 0, WIDTH)


# ---- when it is taken


def test_a_deck_that_ends_inside_a_line_waits_and_is_taken_all_the_same(lines):
    lines.put("deck", HALF)
    assert lines.settle() == []
    assert lines.look() == []
    assert lines.strays() == {"box/deck": OPEN_END}
    assert OPEN_END in UNSETTLED
    assert lines.look(lines.spec.stall_s - lines.spec.settle_s) == ["deck"]
    assert lines.codes() == {}


def test_the_wait_is_told_so_that_the_service_comes_back_in_time(lines):
    lines.put("deck", HALF)
    begin = lines.clock.time
    lines.settle()
    assert lines.inbox.next_due() == begin + lines.spec.stall_s


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_a_deck_that_ends_in_a_line_end_is_taken_once_it_has_settled(lines, end):
    lines.put("deck", b"a card" + end + b"another" + end)
    assert lines.settle() == ["deck"]


def test_a_deck_of_other_cards_may_end_in_anything(box):
    box.put("deck", HALF)
    assert box.settle() == ["deck"]


def test_what_is_added_in_time_makes_it_whole(lines):
    path = lines.put("deck", HALF)
    lines.settle()
    with path.open("ab") as file:
        file.write(b"rd\n")
    assert lines.settle() == ["deck"]


def test_a_deck_that_was_renamed_after_it_was_written_is_taken_at_once(lines):
    path = lines.put(".deck", HALF)
    stamp = path.stat().st_mtime_ns
    while path.stat().st_ctime_ns == stamp:  # a clock of files has long ticks
        path.rename(path.with_name(".other"))
        path.with_name(".other").rename(path)
    path.rename(path.with_name("deck"))
    assert lines.settle() == ["deck"]


@pytest.mark.parametrize("suffix", [".ok", ".sha256"])
def test_a_marker_lets_it_in_at_once_and_goes_along(lines, suffix):
    digest = f"{7:064x}"
    lines.put("deck", HALF)
    lines.settle()
    lines.put(f"deck{suffix}", digest.encode() if suffix == ".sha256" else b"")
    assert lines.look() == ["deck"]
    found = lines.inbox.ready()[0]
    assert found.marker == f"deck{suffix}".encode()
    assert found.marker_sha256 == (digest if suffix == ".sha256" else None)
    assert lines.look() == ["deck"]
    assert lines.strays() == {}


def test_a_marker_of_an_earlier_deck_does_not_let_it_in(lines):
    marker = lines.put("deck.ok", b"")
    os.utime(marker, ns=(0, 0))
    lines.put("deck", HALF)
    assert lines.settle() == []


def test_a_sha256_marker_that_names_none_does_not_let_it_in(lines):
    lines.put("deck.sha256", b"nothing")
    lines.put("deck", HALF)
    assert lines.settle() == []


def test_a_writer_that_held_it_open_and_has_closed_it_is_through(lines):
    path = lines.put("deck", HALF)
    with path.open("ab"):
        assert lines.settle() == ["deck"]  # the opening says that it is still open
        lines.inbox.put_off(lines.inbox.ready()[0], "is still open for writing")
    assert lines.settle() == ["deck"]


def test_nobody_waits_where_the_service_ends_with_what_is_there(lines):
    lines.put("deck", HALF)
    lines.inbox.patient = False
    assert lines.settle() == ["deck"]


def test_a_deck_that_is_gone_when_its_end_is_looked_at_is_no_fault(lines):
    path = lines.put("deck", HALF)
    lines.look()
    lines.clock.time += lines.spec.settle_s
    lines.inbox.scan()
    path.unlink()
    assert [found.name for found in lines.inbox.ready()] == [b"deck"]


# ---- the writer that opens its deck again and again


class Reopened:
    """A service without processes whose job reads lines, and a clock for its inbox."""

    def __init__(self, root: Path, **options) -> None:
        spec = spec_with(**options)
        self.rig = Rig(root, spec=spec)
        self.rig.start()
        self.clock = SetClock()
        self.rig.takings = {
            job: dataclasses.replace(taking, longest=WIDTH, late_s=spec.late_s)
            for job, taking in self.rig.takings.items()
        }
        self.folder = self.rig.workspace.inbox / CARDS
        self.folder.mkdir(exist_ok=True)
        route = Route(CARDS, (), None, require_marker=False, longest=WIDTH)
        inbox = Inbox(self.rig.workspace.inbox, spec, {CARDS: [route]}, self.clock)
        self.intake = Intake(
            self.rig.spool, self.rig.runs, inbox, spec, self.clock, self.rig.takings
        )

    def wait(self, seconds: float) -> None:
        """Let time pass, and serve: look, take, run."""
        self.intake.inbox.scan()
        self.clock.time += seconds
        self.intake.inbox.scan()
        while self.intake.round():
            self.rig.runs.start_free(self.rig.workers)
            for ended in self.rig.workers.poll():
                self.rig.runs.end(ended)

    def append(self, data: bytes, name: str = "deck.txt") -> None:
        with (self.folder / name).open("ab") as file:
            file.write(data)

    def claims(self) -> list[Claim]:
        """Return the claims of the done runs, in the order in which they were taken."""
        homes = self.rig.workspace.done.iterdir()
        return sorted((load(Claim, home / "claim.json") for home in homes), key=lambda c: c.order)

    def deck(self, claim: Claim) -> bytes:
        return (self.rig.workspace.done / claim.run / "deck").read_bytes()


@pytest.fixture
def reopened(tmp_path):
    made: list[Reopened] = []

    def make(**options) -> Reopened:
        made.append(Reopened(tmp_path / f"house{len(made)}", **options))
        return made[-1]

    yield make
    for each in made:
        each.rig.close()


def cards(count: int) -> bytes:
    return b"".join(b"%07d card\n" % number for number in range(count))


def test_a_writer_that_pauses_for_less_than_the_stall_is_taken_whole(reopened):
    house = reopened()
    deck = cards(1000)
    for start in range(0, len(deck), 2700):
        house.append(deck[start : start + 2700])
        house.wait(6)
    assert [house.deck(claim) for claim in house.claims()] == [deck]
    assert [(c.open_end, c.continues) for c in house.claims()] == [(0, None)]


def test_a_writer_that_pauses_for_longer_leaves_runs_that_name_each_other(reopened):
    house = reopened()
    deck = b"".join(b"%078d\n" % number for number in range(100))
    for start in range(0, len(deck), 2000):
        house.append(deck[start : start + 2000])
        house.wait(6)
        house.wait(house.rig.spec.stall_s)
    claims = house.claims()
    assert b"".join(map(house.deck, claims)) == deck
    assert all(claim.open_end for claim in claims[:-1])
    assert claims[-1].open_end == 0
    before = [claim.continues.run if claim.continues else None for claim in claims]
    assert before == [None, *[claim.run for claim in claims[:-1]]]
    told = [(f["run"], f["by"]) for f in house.rig.told("deck_continued")]
    assert told == [(a.run, b.run) for a, b in pairwise(claims)]
    done = {f["run"]: f for f in house.rig.told("run_done")}
    assert all("open_end" in done[c.run] or "continues" in done[c.run] for c in claims)


@settings(max_examples=40)
@given(
    st.lists(st.text("AB ", min_size=1, max_size=WIDTH), min_size=1, max_size=8),
    st.sampled_from(["\n", "\r\n"]),
    st.lists(st.tuples(st.integers(1, 200), st.booleans()), max_size=6),
)
def test_no_cut_of_a_deck_gives_a_done_run_of_parts_of_cards_without_a_mark(lines, end, cuts):
    deck = "".join(line + end for line in lines).encode()
    borders = {0, *(i + 1 for i in range(len(deck)) if deck[i] == ord("\n"))}
    with tempfile.TemporaryDirectory() as folder:
        house = Reopened(Path(folder, "house"))
        try:
            at = 0
            for length, long in [*cuts, (len(deck), True)]:
                if deck[at : at + length]:
                    house.append(deck[at : at + length])
                at += length
                house.wait(6)
                house.wait(house.rig.spec.stall_s if long else 0)
            claims, place = house.claims(), 0
            for claim in claims:
                piece = house.deck(claim)
                begins, place = place, place + len(piece)
                assert deck[begins:place] == piece
                if begins not in borders or place not in borders:
                    assert claim.open_end or claim.continues
            assert place == len(deck) or house.rig.told("deck_returned")
        finally:
            house.rig.close()


def test_a_deck_under_another_name_or_after_long_goes_on_from_nothing(reopened):
    house = reopened()
    house.rig.clock.today = "2001-01-01T00:00:00.000000+00:00"
    house.append(HALF)
    house.wait(6)
    house.wait(house.rig.spec.stall_s)
    house.append(b"rd\n", "other.txt")
    house.append(b"rd\nand more\n")
    house.wait(6)
    assert [claim.continues for claim in house.claims()] == [None] * 3


def test_a_deck_whose_first_line_is_too_long_for_that_goes_on_from_nothing(reopened):
    house = reopened()
    for letter in (b"A", b"B"):
        house.append(b"\n".join([letter * WIDTH] * 3))
        house.wait(6)
        house.wait(house.rig.spec.stall_s)
    assert [claim.open_end for claim in house.claims()] == [WIDTH, WIDTH]
    assert [claim.continues for claim in house.claims()] == [None, None]


def test_a_marker_says_that_an_open_end_is_none(reopened):
    house = reopened()
    house.append(HALF)
    house.append(b"", "deck.txt.ok")
    house.wait(6)
    assert [claim.open_end for claim in house.claims()] == [0]
    assert list(house.folder.iterdir()) == []


def two_parts(house: Reopened) -> tuple[Claim, Claim]:
    """Have a deck come in two parts; return the claims of their runs."""
    for piece in (HALF, b"rd\nand half a"):
        house.append(piece)
        house.wait(6)
        house.wait(house.rig.spec.stall_s)
    first, second = house.claims()
    return first, second


def known(rig: Rig, *claims: Claim) -> list[tuple[int, str]]:
    """Return what the ledger knows of open ends and what goes on from them."""
    ledger = rig.ledger
    return [(ledger.open_end(each.run), ledger.continued_by(each.run)) for each in claims]


def test_a_ledger_that_was_rebuilt_knows_the_open_ends(reopened):
    house = reopened()
    first, second = two_parts(house)
    assert known(house.rig, first, second) == [(9, second.run), (10, "")]
    house.rig.close()
    house.rig.workspace.ledger.unlink()
    rig = Rig(house.rig.workspace.root)
    rig.start()
    assert known(rig, first, second) == [(9, second.run), (10, "")]
    rig.close()


def test_a_run_that_goes_back_to_the_inbox_is_forgotten_here_too(reopened):
    house = reopened()
    first, second = two_parts(house)
    house.rig.ledger.forget(second.run)
    assert known(house.rig, first, second) == [(9, ""), (0, "")]


def test_status_lists_the_parts_until_somebody_acknowledges_them(reopened):
    house = reopened()
    first, second = two_parts(house)
    status = gather(house.rig.workspace, house.rig.spec)
    assert [(each.run, each.deck) for each in status.cut_decks] == [(first.run, "deck.txt")]
    assert second.run in status.cut_decks[0].why
    assert [each.run for each in status.open_ends] == [second.run]
    wish = {"by": "A. Keeper", "why": "the sender was told to rename"}
    answer = house.rig.operator.do(Request(wish="acknowledge", what=first.run, **wish))
    assert answer.done
    status = gather(house.rig.workspace, house.rig.spec)
    assert status.cut_decks == []
    assert not [found for _, found in verify(house.rig.workspace) if found]


def test_status_of_a_ledger_without_open_ends_counts_all_the_same(reopened):
    house = reopened()
    two_parts(house)
    house.rig.close()
    with closing(sqlite3.connect(house.rig.workspace.ledger)) as database:
        database.execute("DROP TABLE open_ends")
    status = gather(house.rig.workspace, house.rig.spec)
    assert (status.done, status.done_today, status.open_ends) == (2, 0, [])


def test_an_operators_new_run_keeps_the_mark(reopened):
    house = reopened()
    house.append(HALF)
    house.wait(6)
    house.wait(house.rig.spec.stall_s)
    (claim,) = house.claims()
    row = house.rig.ledger.row(claim.run)
    again = house.rig.spool.run_again(row, house.rig.takings[CARDS])
    assert again.open_end == claim.open_end > 0
