"""What is counted is so: columns, odd cards, banners, running numbers, however a deck is cut."""

from __future__ import annotations

from collections import Counter

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from deckwright.cards.codes import load_code
from deckwright.examine.count import sampling
from deckwright.examine.count.classes import cells_of
from deckwright.examine.count.counting import Counts
from deckwright.examine.count.running import Running, numbers_of
from deckwright.examine.deck import examine
from deckwright.examine.model import CLASSES
from deckwright.plugin.values import RawTray

quick = settings(max_examples=40, deadline=None)
some_cards = st.tuples(st.integers(1, 400), st.integers(1, 12)).flatmap(
    lambda shape: arrays(np.uint8, shape, elements=st.sampled_from(list(b" 09AZ-\x1a\xff{")))
)


def brute_force(cards, code):
    """Return classes by column, one cell at a time."""
    table = np.zeros((cards.shape[1], len(CLASSES)), np.int64)
    for card in cards:
        if (card == 32).all():
            continue
        for column, value in enumerate(card.tolist()):
            character = code.alphabet.characters[value]
            if character == " ":
                kind = "blank"
            elif character is None or not character.isprintable():
                kind = "illegal"
            elif character in "0123456789":
                kind = "digit"
            else:
                kind = "letter" if character.isalpha() else "special"
            table[column, CLASSES.index(kind)] += 1
    return table


@quick
@given(some_cards)
def test_the_profile_of_columns_is_that_of_counting_cell_by_cell(cards) -> None:
    code = load_code("ascii")
    cells = cells_of(code, holes=False)
    counts = Counts.of(cells, cards.shape[1])
    counts.add(RawTray(1, cards, None, None, []), 0)
    assert counts.cards == len(cards)
    assert (cells.class_counts(counts.values) == brute_force(cards, code)).all()


@quick
@given(some_cards, st.integers(1, 399))
@example(np.frombuffer(b"000900000090", np.uint8).reshape(4, 3), 2)  # two steps, equally often
def test_counts_of_parts_add_up_to_those_of_the_whole(cards, border) -> None:
    cells = cells_of(load_code("ascii"), holes=False)
    spans = [(1, min(3, cards.shape[1]))]
    whole = Counts.of(cells, cards.shape[1], spans)
    whole.add(RawTray(1, cards, None, None, []), 0)
    first, second = (Counts.of(cells, cards.shape[1], spans) for _ in range(2))
    first.add(RawTray(1, cards[:border], None, None, []), 0)
    second.add(RawTray(border + 1, cards[border:], None, None, []), 0)
    first.merge(second)
    assert (first.values == whole.values).all()
    assert (first.cards, first.data_cards) == (whole.cards, whole.data_cards)
    assert first.odd == whole.odd
    assert first.running[0].facts() == whole.running[0].facts()


@quick
@given(st.lists(st.one_of(st.integers(0, 99_999), st.just(-1)), min_size=2, max_size=80))
def test_running_numbers_are_told_as_one_card_at_a_time_would(numbers) -> None:
    texts = [b"XXXXX" if number < 0 else b"%05d" % number for number in numbers]
    cards = np.array([list(text) for text in texts], np.uint8)
    running = Running(1, 5)
    running.add(cards, np.arange(1, len(cards) + 1))
    facts = running.facts()
    known = [number for number in numbers if number >= 0]
    steps = np.diff(known)
    assert facts.unread == numbers.count(-1)
    assert facts.numbers == len(known)
    assert facts.doubles == int((steps == 0).sum())
    assert facts.step_downs == int((steps < 0).sum())
    assert facts.follow + facts.gaps == int((steps > 0).sum())
    if known:
        assert (facts.start, facts.end) == (known[0], known[-1])


@quick
@given(
    st.lists(st.integers(1, 10_003), max_size=150),
    st.sampled_from([0, 1, 7, 9_999]),
    st.integers(1, 300),
)
@example(list(range(1, 101)), 150, 50)  # a hundred steps before the usual one
def test_the_usual_step_is_found_however_many_others_come_before_it(steps, usual, border) -> None:
    steps = [*steps, *[usual] * 160 * (usual > 0)]
    numbers = np.cumsum([0, *steps])
    digits = np.array([list(b"%09d" % number) for number in numbers.tolist()], np.uint8)
    cards = np.arange(1, len(numbers) + 1)
    parts = [Running(1, 9) for _ in range(2)]
    for part, place in zip(parts, (slice(border), slice(border, None)), strict=True):
        part.add(digits[place], cards[place])
    parts[0].merge(parts[1])
    facts = parts[0].facts()
    counts = Counter(step for step in steps if step < 10_000)
    wanted = max(counts, key=lambda step: (counts[step], -step), default=0)
    assert (facts.step, facts.follow) == (wanted, counts[wanted])
    others = [card for card, step in enumerate(steps, 2) if step != wanted]
    assert facts.gaps == len(others)
    assert facts.gap_cards == others[:8]


def test_a_number_is_digits_with_blanks_before_them_at_most() -> None:
    cells = np.array([list(text) for text in (b"  7", b"007", b"7  ", b"   ", b"1 2", b"1X2")])
    values, good = numbers_of(cells.astype(np.uint8))
    assert good.tolist() == [True, True, False, False, False, False]
    assert values[:2].tolist() == [7, 7]


def test_blank_short_long_and_other_odd_cards_are_named_by_number(write, planted) -> None:
    lines = [card.tobytes() for card in planted(60)]
    lines[9] = b" " * 80
    lines[19] = lines[19] + b"LONG"
    lines[29] = lines[29][:40]
    lines[39] = b"*" * 80
    lines[49] = b"// END OF BOX".ljust(80)
    found = examine([write(b"\n".join(lines) + b"\n")])
    odd = {one.reason: list(one.cards) for one in found.odd}
    assert odd["blank"] == [10]
    assert odd["long-line"] == [20]
    assert odd["short-record"] == [30]
    assert odd["separator"] == [40]
    assert odd["control-card"] == [50]
    assert (found.cards, found.data_cards) == (60, 57)
    assert found.lengths == {40: 1, 80: 59}


def test_a_card_full_of_holes_is_a_banner(write) -> None:
    random = np.random.default_rng(3)
    holes = (1 << random.integers(0, 10, (200, 80))).astype(np.uint16)
    holes[0] = 0xDB6
    deck = np.stack([holes >> 6, holes & 63], axis=2).astype(np.uint8)
    found = examine([write(deck.tobytes())], code="ebcdic")
    assert {one.reason: list(one.cards) for one in found.odd} == {"banner": [1]}


def test_a_field_of_a_whole_row_of_nines_is_no_banner(write, planted) -> None:
    cards = planted(60)
    cards[5, :72] = ord("9")
    assert not examine([write(cards.tobytes())]).odd


def test_two_processes_count_what_one_does(write, planted, monkeypatch) -> None:
    cards = np.concatenate([planted(3000, seed) for seed in range(3)])
    cards[4000] = 32
    deck = write(cards.tobytes())
    alone = examine([deck])
    monkeypatch.setattr(sampling, "MOST_LOOKED_AT", 2000)
    monkeypatch.setattr(sampling, "_SPAN", 1000)
    monkeypatch.setattr(sampling, "_STRETCH", 100)
    monkeypatch.setattr(sampling, "TWO_PROCESSES", 1)
    monkeypatch.setattr(sampling.os, "sched_getaffinity", lambda _: {0, 1})
    parted = examine([deck])
    assert parted.looked_at < alone.looked_at
    assert (parted.columns.classes == alone.columns.classes).all()
    assert parted.odd == alone.odd
    assert parted.sequences == alone.sequences
    assert parted.sequences[0].step_downs == 2


def test_decks_are_stacked_and_numbered_through(write, planted) -> None:
    cards = planted(90)
    first = write(cards[:40].tobytes(), "a.dck")
    cards[50] = 32
    second = write(cards[40:].tobytes(), "b.dck")
    found = examine([first, second])
    assert [(deck.name, deck.cards, deck.first_card) for deck in found.decks] == [
        ("a.dck", 40, 1),
        ("b.dck", 50, 41),
    ]
    assert {one.reason: list(one.cards) for one in found.odd} == {"blank": [51]}
