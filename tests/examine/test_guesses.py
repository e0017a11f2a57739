"""What is planted is found, and what is not planted is not claimed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from deckwright.examine.deck import examine
from deckwright.examine.strengths import MEANINGS, WORDS, strength_of, weaker
from examine.conftest import blank_cards, checked, days, digits, put, text_deck

quick = settings(max_examples=5, deadline=None, phases=[Phase.explicit, Phase.generate])


def guesses(folder, cards, name="planted.txt"):
    """Return the guessed fields of a deck of one type, by columns."""
    deck = folder / name
    deck.write_bytes(text_deck(cards))
    found = examine([deck])
    assert found.types.column == 0, found.types.sentence
    return {guess.columns: guess for guess in found.types.types[0].guesses}, found


def counter_of(cells: np.ndarray) -> int:
    """Return where (from 0) a counter begins in cells (n, w) that hold running numbers.

    A digit that is the same on every card may be a code before the number: nothing tells. Zeros are
    taken to be leading ones.
    """
    varies = (cells != cells[0]).any(axis=0)
    first = int(varies.argmax())
    while first and (cells[:, first - 1] == ord("0")).all():
        first -= 1
    return first


@pytest.mark.slow
@quick
@given(
    first=st.integers(1, 70),
    width=st.integers(4, 10),
    step=st.sampled_from([1, 2, 5, 10]),
    start=st.integers(0, 500),
    seed=st.integers(0, 1000),
)
@example(first=70, width=5, step=2, start=500, seed=678)  # 01000 to 01598
def test_running_numbers_are_found_in_any_columns(room, first, width, step, start, seed) -> None:
    random = np.random.default_rng(seed)
    cards = blank_cards(300)
    start *= step  # by tens, the units are zero
    numbers = digits(start + step * np.arange(300), width)
    put(cards, first, numbers)
    at = 1 if first > 10 else first + width + 2
    put(cards, at, np.frombuffer(b"ABCDEF", np.uint8)[random.integers(0, 6, (300, 5))])
    fields, found = guesses(room(), cards)
    (facts,) = found.sequences
    begins = counter_of(numbers)
    assert (facts.first, facts.last) == (first + begins, first + width - 1)
    assert (facts.step, facts.follow) == (step, 299)
    assert facts.start == start % 10 ** (width - begins)
    assert facts.gaps == facts.step_downs == facts.doubles == 0
    before = f"column {first + begins - 1} before it always holds"
    reasons = fields[f"{facts.first}-{facts.last}"].reasons
    assert any(before in reason for reason in reasons) == (begins > 0)


@pytest.mark.slow
@quick
@given(
    lost=st.sets(st.integers(10, 280), min_size=1, max_size=5),
    doubled=st.integers(10, 280),
    seed=st.integers(0, 99),
)
def test_gaps_and_doubles_are_counted(room, planted, lost, doubled, seed) -> None:
    numbers = [n for n in range(300) if n not in lost]
    numbers.insert(numbers.index(doubled) if doubled in numbers else 5, doubled)
    if doubled in lost:
        numbers.remove(doubled)
    kept = planted(300, seed)[numbers]
    deck = room() / "deck.txt"
    deck.write_bytes(text_deck(kept))
    (facts,) = examine([deck]).sequences
    values = 10 * (np.array(numbers) + 1)
    assert (facts.first, facts.last, facts.step) == (73, 80, 10)
    assert facts.gaps == int((np.diff(values) > 10).sum())
    assert facts.doubles == int((np.diff(values) == 0).sum())


@pytest.mark.slow
@quick
@given(seed=st.integers(0, 1000))
def test_a_shuffled_deck_still_tells_its_running_number(room, planted, seed) -> None:
    cards = planted(400, seed)
    np.random.default_rng(seed).shuffle(cards)
    deck = room() / "deck.txt"
    deck.write_bytes(text_deck(cards))
    (facts,) = examine([deck]).sequences
    assert facts.shuffled
    assert (facts.last, facts.step, facts.gaps) == (80, 10, 0)


@quick
@given(
    first=st.integers(1, 60),
    form=st.sampled_from(
        [
            ("YYYYMMDD", "%Y%m%d"), ("DDMMYYYY", "%d%m%Y"), ("YYMMDD", "%y%m%d"),
            ("DDMMYY", "%d%m%y"), ("MMDDYY", "%m%d%y"), ("DD/MM/YY", "%d/%m/%y"),
            ("YYYY-MM-DD", "%Y-%m-%d"), ("YYYYDDD", "%Y%j"),
        ]
    ),
    seed=st.integers(0, 1000),
)  # fmt: skip
def test_dates_are_found_in_their_form(room, first, form, seed) -> None:
    random = np.random.default_rng(seed)
    cards = blank_cards(500)
    put(cards, first, days(random, 500, form[1]))
    found, _ = guesses(room(), cards)
    columns = f"{first}-{first + len(form[0]) - 1}"
    assert found[columns].options == {"kind": "date", "form": form[0]}
    assert found[columns].share == 1
    assert found[columns].strength in ("strong", "likely")


@pytest.mark.slow
@quick
@given(
    first=st.integers(1, 60),
    width=st.integers(5, 9),
    scheme=st.sampled_from(
        [("luhn", ()), ("mod11", (2, 3, 4, 5, 6, 7)), ("mod10", (3, 1)), ("verhoeff", ()),
         ("damm", ()), ("mod11-10", ())]
    ),
    wrong=st.integers(0, 20),
    seed=st.integers(0, 1000),
)  # fmt: skip
def test_check_digits_that_hold_are_found(room, first, width, scheme, wrong, seed) -> None:
    random = np.random.default_rng(seed)
    cards = blank_cards(500)
    numbers = checked(random, 500, width, *scheme)
    numbers[:wrong, -1] = 48 + (numbers[:wrong, -1] - 47) % 10
    put(cards, first, numbers)
    found, _ = guesses(room(), cards)
    guess = found[f"{first}-{first + width - 1}"]
    assert guess.options["check"]["scheme"] == scheme[0]
    assert abs(guess.share - (500 - wrong) / 500) < 0.01
    assert guess.chance < 0.2


@pytest.mark.slow
@quick
@given(seed=st.integers(0, 10_000), width=st.integers(5, 12))
def test_random_digits_get_no_date_and_no_check_digit(room, seed, width) -> None:
    random = np.random.default_rng(seed)
    cards = blank_cards(400)
    put(cards, 11, random.integers(48, 58, (400, width)).astype(np.uint8))
    found, examined = guesses(room(), cards)
    assert not examined.sequences
    assert not any("date" in one.what or "check" in one.what for one in found.values())
    # nothing tells where random digits end; whoever cuts them must say that it is not sure
    inside = [one for one in found.values() if one.what != "not used"]
    whole = [one.columns for one in inside] == [f"11-{10 + width}"]
    assert whole or all(one.strength == "possible" for one in inside)
    assert all(one.options["kind"] == "digits" or one.width <= 2 for one in inside)


@pytest.mark.parametrize("seed", range(4))
def test_every_field_of_a_planted_layout_is_found(room, planted, seed) -> None:
    found, _ = guesses(room(), planted(1500, seed))
    assert found["1-6"].options["check"]["scheme"] == "mod11"
    assert found["7-12"].options == {"kind": "date", "form": "DDMMYY"}
    assert found["13-17"].options == {"kind": "whole", "sign": "overpunch-right"}
    assert found["18-22"].options == {"kind": "whole", "fill": " "}
    assert found["25"].options["choices"] == ["N", "S"]
    texts = [guess for guess in found.values() if guess.what == "text"]
    assert [guess.first for guess in texts] == [30]
    assert found["73-80"].options["role"] == "sequence"
    assert all(one.sentence and one.strength in MEANINGS for one in found.values())


def test_guessed_fields_cover_every_column_once(room, planted, demo, january) -> None:
    _, found = guesses(room(), planted(500))
    for examined in (found, january, examine([demo.masters[0]])):
        for one in examined.types.types:
            columns = [c for guess in one.guesses for c in range(guess.first, guess.last + 1)]
            assert columns == sorted(set(columns))
            assert not one.guesses or columns == list(range(1, examined.width + 1))


def test_the_column_that_divides_the_demo_deck_is_the_number_of_the_card(january) -> None:
    found = january
    assert found.types.column == 15
    assert [one.values for one in found.types.types] == [["1", "2"], ["3"], ["4"]]
    assert sum(one.cards for one in found.types.types) == found.data_cards
    assert "begins again with 1" in found.types.sentence
    by_columns = [{guess.columns: guess for guess in one.guesses} for one in found.types.types]
    for fields in by_columns:
        assert fields["3-8"].options["check"]["scheme"] == "mod11"
        # all cards are of one month: nothing proves a date
        assert fields["9-14"].what == "constant"
        assert fields["76-80"].options["role"] == "sequence"
    # a zone over one digit proves nothing, over several of twelve fields side by side it does
    assert by_columns[0]["24-27"].options == {"kind": "whole", "sign": "overpunch-right"}
    assert by_columns[2]["29-72"].what == "not used"


def test_a_deck_of_one_type_is_not_divided(room, planted) -> None:
    _, found = guesses(room(), planted(500))
    assert "no column divides" in found.types.sentence


def test_multi_punched_columns_are_called_so(write) -> None:
    random = np.random.default_rng(5)
    holes = np.zeros((300, 80), np.uint16)
    holes[:, :10] = 1 << random.integers(0, 10, (300, 10))
    holes[:, 20] = random.integers(0, 4096, 300)
    deck = np.stack([holes >> 6, holes & 63], axis=2).astype(np.uint8)
    found = examine([write(deck.tobytes())], medium={"kind": "column-binary", "code": "ebcdic"})
    fields = {guess.columns: guess for guess in found.types.types[0].guesses}
    assert fields["21"].options == {"kind": "holes"}
    assert fields["21"].what == "multi-punch"


@given(sure=st.floats(0, 1), cards=st.integers(0, 10_000), most=st.sampled_from(WORDS))
def test_no_word_is_stronger_than_its_evidence(sure, cards, most) -> None:
    word = strength_of(sure, cards)
    assert word != "holds"  # what is guessed is never counted
    assert word != "strong" or (sure >= 0.99 and cards >= 100)
    assert word == "possible" or (sure >= 0.9 and cards >= 30)
    assert strength_of(sure, cards, most) == weaker(word, most)


def test_only_what_was_counted_holds(room, planted) -> None:
    fields, _ = guesses(room(), planted(1_500, 3))
    holding = [one for one in fields.values() if one.strength == "holds"]
    assert holding
    assert all((one.what, one.share) == ("not used", 1.0) for one in holding)


def test_a_share_of_cards_says_how_many_are_blank_there(room) -> None:
    cards = blank_cards(60)
    put(cards, 11, digits(np.random.default_rng(5).integers(100, 999, 60), 3))
    cards[:20, 10:13] = ord(" ")
    cards[:, 0] = ord("A")
    fields, _ = guesses(room(), cards)
    assert "100 % of 40 cards (20 blank ones left out)" in fields["11-13"].sentence
