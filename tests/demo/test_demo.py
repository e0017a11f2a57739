"""The demo network: the same everywhere, sound but for its seeded faults, and scored fairly."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.demo.dice import Dice
from deckwright.demo.files import SEED, DemoFiles, write_demo
from deckwright.demo.generator import make_deck
from deckwright.demo.punched import Card, Deck, column_binary, patterns
from deckwright.demo.score import OTHER, render_score, score
from deckwright.demo.stations import check_digit, make_network, overpunched, signed
from deckwright.demo.truth import KINDS, NO_CARDS, load_truth

MONTHS = st.integers(1, 12)
SEEDS = st.integers(0, 2**32)
DRY = 1709457443, 9
"""A seed and a month in which the chain of days alone would let no rain fall."""
UNITS = {graphic: digit for digit, graphic in enumerate("}JKLMNOPQR")} | {
    graphic: digit for digit, graphic in enumerate("{ABCDEFGHI")
}
SEEDED = {
    "swapped-station": 3,
    "unknown-station": 2,
    "closed-station": 2,
    "station-without-cards": 3,
    "missing-total-card": 4,
    "doubled-card": 1,
    "dropped-cards": 1,
    "shifted-card": 1,
    "bad-card-sum": 6,
    "untagged-accumulation": 5,
    "fall-on-no-day": 3,
    "blank-zero-exchange": 7,
    "illegal-pattern": 2,
}
CARD_FAULTS = {"swapped-station", "bad-card-sum", "fall-on-no-day", "blank-zero-exchange"}


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> DemoFiles:
    return write_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def january() -> Deck:
    return make_deck(make_network(SEED), 1, SEED)


def falls(text: str) -> list[int | None]:
    """Read the eleven falls of a day card, on a path of its own."""
    punched = [text[start : start + 4] for start in range(15, 59, 4)]
    units = [str(UNITS.get(fall[3], fall[3])) for fall in punched]
    return [
        int(fall[:3] + unit) if fall.strip() else None
        for fall, unit in zip(punched, units, strict=True)
    ]


def adds_up(text: str) -> bool:
    return sum(fall or 0 for fall in falls(text)) == int(text[59:64])


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@settings(max_examples=15, deadline=None)
@given(SEEDS, MONTHS)
@example(*DRY)
def test_every_seed_and_month_seeds_every_fault_in_its_number(seed, month):
    deck = make_deck(make_network(seed), month, seed)
    kinds = [fault.kind for fault in deck.settled()]
    assert {kind: kinds.count(kind) for kind in KINDS} == SEEDED
    # 240 stations x 4, less 3 stations without cards and 4 totals, 2 strangers and 1 double more
    assert len(deck.cards) == 960 - 12 - 4 + 8 + 1


@settings(max_examples=15, deadline=None)
@given(SEEDS, MONTHS)
@example(*DRY)
def test_a_fault_undone_gives_a_sound_card(seed, month):
    deck = make_deck(make_network(seed), month, seed)
    for fault in deck.settled():
        if fault.kind not in CARD_FAULTS:
            continue
        assert fault.columns is not None
        card = deck.cards[fault.cards[0] - 1].copy()
        assert card.at(*fault.columns) == fault.stands != fault.should
        card.put(fault.columns[0], fault.should)
        assert check_digit(card.at(3, 7)) == card.at(8, 8)
        assert adds_up(card.text)
        assert card.number == 3 or card.at(56, 59) == "    "


@settings(max_examples=15, deadline=None)
@given(SEEDS, MONTHS)
def test_faults_of_single_cards_lie_on_different_cards(seed, month):
    deck = make_deck(make_network(seed), month, seed)
    lonely = [f.cards[0] for f in deck.settled() if len(f.cards) == 1 and f.kind != "doubled-card"]
    assert len(lonely) == len(set(lonely))


@settings(max_examples=15, deadline=None)
@given(SEEDS, MONTHS)
@example(*DRY)
def test_cards_without_a_fault_are_sound(seed, month):
    deck = make_deck(make_network(seed), month, seed)
    faulty = {card for fault in deck.settled() for card in fault.cards}
    sound = [card for place, card in enumerate(deck.cards, 1) if place not in faulty]
    assert all(len(card.text) == 80 and not card.extra for card in sound)
    assert all(check_digit(card.at(3, 7)) == card.at(8, 8) for card in sound)
    assert all(adds_up(card.text) for card in sound if card.number < 4)
    assert [card.at(76, 80) for card in sound] == sorted({card.at(76, 80) for card in sound})


@given(st.integers(0, 99_999).map(lambda n: f"{n:05d}"), st.integers(0, 4), st.integers(1, 9))
def test_the_check_digit_catches_every_wrong_digit_and_every_swap(number, place, more):
    check = check_digit(number)
    assume(check)
    digit = (int(number[place]) + more) % 10
    assert check_digit(f"{number[:place]}{digit}{number[place + 1 :]}") != check
    if place < 4 and number[place] != number[place + 1]:
        swapped = number[:place] + number[place + 1] + number[place] + number[place + 2 :]
        assert check_digit(swapped) != check


@given(st.integers(-999, 999))
def test_a_signed_number_reads_back(value):
    text = signed(value, 4)
    negative = text[-1] in "}JKLMNOPQR"
    size = int(text[:-1] + str(UNITS.get(text[-1], text[-1])))
    assert (-size if negative else size) == value


@given(st.lists(st.integers(), max_size=40), SEEDS)
def test_a_shuffle_keeps_every_item(items, seed):
    assert sorted(Dice(seed).shuffled(items)) == sorted(items)


@pytest.mark.parametrize(
    ("digit", "minus", "plus"),
    [("0", "}", "{"), ("1", "J", "A"), ("9", "R", "I")],
)
def test_overpunches_are_the_graphics_of_their_holes(digit, minus, plus):
    # signed overpunch as in COBOL manuals; 12-0 and 11-0 by ISO 6586:1980 (fragment)
    assert overpunched(f"00{digit}", "11") == f"00{minus}"
    assert overpunched(f"00{digit}", "12") == f"00{plus}"


def test_the_dice_follow_the_published_mersenne_twister():
    # init_by_array of one word, first 53-bit number; the generator is that of Matsumoto and
    # Nishimura (1998), the value was computed with CPython 3.11
    assert Dice(0).unit() == 0.8444218515250481


def test_two_writings_are_the_same_bytes(made, tmp_path):
    write_demo(tmp_path)
    assert tree(tmp_path) == tree(made.folder)


def test_another_seed_gives_other_decks(made, tmp_path):
    other = write_demo(tmp_path, SEED + 1)
    assert other.decks[0].read_bytes() != made.decks[0].read_bytes()


def test_the_shipped_decks_and_masters_are_the_known_ones(made):
    digest = hashlib.sha256()
    for path in (*made.decks, *made.masters):
        digest.update(path.read_bytes())
    assert digest.hexdigest() == (
        "b49eee4ea52583e54925d27d4fffbc32b268f362c5d77bc10a19b8a7c779eb64"
    )


def test_the_deck_file_holds_the_patterns_two_bytes_a_column(january):
    data = np.frombuffer(column_binary(patterns(january.cards)), np.uint8).reshape(-1, 80, 2)
    assert data.max() < 64
    back = (data[..., 0].astype(np.uint16) << 6) | data[..., 1]
    assert np.array_equal(back, patterns(january.cards))


def test_a_letter_a_goes_where_the_published_bit_table_puts_it():
    # row 12 and row 1 of A: 24 00 (bit table of a survey data-processing page)
    assert column_binary(patterns([Card("", 1, f"{'A':<80}")]))[:4] == b"\x24\x00\x00\x00"


def test_only_the_two_spoilt_columns_are_no_character(january):
    code = load_code("ebcdic")
    assert code.from_holes is not None
    illegal = 1 + np.argwhere(code.from_holes[patterns(january.cards)] < 0)
    seeded = [f for f in january.settled() if f.kind == "illegal-pattern"]
    assert illegal.tolist() == sorted([f.cards[0], f.columns[0]] for f in seeded)


def test_the_doubled_card_has_its_twin_and_the_lost_totals_are_gone(january):
    texts = [card.text for card in january.cards]
    twice = {text for text in texts if texts.count(text) > 1}
    doubled = next(f for f in january.settled() if f.kind == "doubled-card")
    assert twice == {texts[doubled.cards[0] - 1]}
    lost = [f.should for f in january.settled() if f.kind == "missing-total-card"]
    assert not set(lost) & set(texts)


def test_forty_cards_in_a_row_were_dropped(january):
    dropped = next(f for f in january.settled() if f.kind == "dropped-cards")
    assert list(dropped.cards) == list(range(dropped.cards[0], dropped.cards[0] + 40))
    serials = [january.cards[card - 1].at(76, 80) for card in dropped.cards]
    assert serials != sorted(serials)


def test_both_masters_have_240_cards_and_differ_in_two_numbers(made):
    before, after = (path.read_text("ascii").splitlines() for path in made.masters)
    assert len(before) == len(after) == 240
    assert {len(line) for line in before + after} == {80}
    numbers = [{line[2:8] for line in lines} for lines in (before, after)]
    assert len(numbers[0] - numbers[1]) == len(numbers[1] - numbers[0]) == 2
    assert {line[8:] for line in before} == {line[8:] for line in after}
    assert sum(1 for line in before if line[49:55].strip()) == 2


def test_every_deck_is_named_with_its_job_and_master(made):
    truth = load_truth(made.truth)
    for path, deck in zip(made.decks, truth.decks, strict=True):
        assert path.name == deck.deck
        assert path.stat().st_size == 160 * deck.cards
        assert deck.master in made.job_of(path).read_text("utf-8")


def test_the_two_jobs_differ_in_title_and_master_alone(made):
    first, second = (path.read_text("utf-8").splitlines() for path in made.jobs)
    different = [(a, b) for a, b in zip(first, second, strict=True) if a != b]
    assert [a.partition(" =")[0] for a, _ in different] == ["title", "stations"]


def test_the_job_names_layouts_and_files_that_are_there(made):
    job = tomllib.loads(made.job.read_text("utf-8"))
    kinds = [stage["kind"] for stage in job["stage"]]
    assert set(kinds) == {"decode", "validate", "sort", "merge", "reproduce", "emit"}
    assert (made.job.parent / job["files"]["stations"]).resolve() == made.master.resolve()
    named = {stage["layout"] for stage in job["stage"] if "layout" in stage}
    assert {f"{name}.toml" for name in named} <= {path.name for path in made.layouts}


def test_no_two_fields_of_a_layout_share_a_column(made):
    for path in made.layouts:
        layout = tomllib.loads(path.read_text("utf-8"))
        groups = [card["field"] for card in layout.get("card", [])] or [layout["field"]]
        for fields in groups:
            columns = [column for field in fields for column in field_columns(field)]
            assert len(columns) == len(set(columns))
            assert max(columns) <= 80


def field_columns(field: dict) -> list[int]:
    first, _, last = field["columns"].partition("-")
    width = int(last or first) - int(first) + 1
    return list(range(int(first), int(first) + width * field.get("repeat", 1)))


def rule(made: DemoFiles, name: str) -> pl.Expr:
    layout = tomllib.loads(made.layouts[0].read_text("utf-8"))
    return pl.sql_expr(next(r["holds"] for r in layout["rule"] if r["name"] == name))


def day_frame(cards: list[Card]) -> pl.DataFrame:
    rows = [falls(card.text) for card in cards]
    columns = {f"fall_{n + 1:02}": [row[n] for row in rows] for n in range(11)}
    sums = [int(card.at(60, 64)) for card in cards]
    frame = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.Int64))
    numbers = pl.Series("card_no", [card.number for card in cards])
    months = pl.Series("month", [f"{card.at(9, 14)}01" for card in cards]).str.to_date("%Y%m%d")
    return frame.with_columns(pl.Series("card_sum", sums), numbers, months)


@pytest.mark.parametrize("month", [1, 2, 4])
def test_the_rules_of_the_layout_find_what_they_should_and_nothing_else(made, month):
    deck = make_deck(make_network(SEED), month, SEED)
    kinds = ("shifted-card", "illegal-pattern")
    unreadable = {c for f in deck.settled() if f.kind in kinds for c in f.cards}
    places = [
        place
        for place, card in enumerate(deck.cards, 1)
        if card.number < 4 and place not in unreadable
    ]
    frame = day_frame([deck.cards[place - 1] for place in places])
    for kind, names in (
        ("bad-card-sum", ["card-sum"]),
        ("fall-on-no-day", ["no-eleventh-day", "no-day-31", "no-day-30"]),
    ):
        holds = frame.select(pl.all_horizontal([rule(made, name) for name in names]).alias("holds"))
        found = [place for place, kept in zip(places, holds["holds"], strict=True) if kept is False]
        wanted = [c for f in deck.settled() if f.kind == kind for c in f.cards]
        assert found == sorted(wanted)


def test_the_truth_reads_back_as_it_was_written(made):
    truth = load_truth(made.truth)
    assert truth.dump() == made.truth.read_bytes()
    assert truth.seed == SEED


def perfect(made: DemoFiles) -> tuple[list[dict], dict[str, list[str]]]:
    """Return the findings of a run that finds all that can be found."""
    findings, alone = [], {}
    for deck in load_truth(made.truth).decks:
        alone[deck.deck] = [f.station for f in deck.faults if f.kind == "station-without-cards"]
        for fault in deck.faults:
            if fault.found_by and NO_CARDS not in fault.found_by:
                stage, _, reason = fault.found_by[-1].partition("/")
                same = {"deck": deck.deck, "stage": stage, "reason": reason.replace("*", "x")}
                findings.extend({**same, "card": card} for card in fault.cards)
    return findings, alone


def test_a_perfect_run_scores_perfectly(made):
    result = score(load_truth(made.truth), *perfect(made))
    assert result.perfect
    assert result.decks == 12
    for kind in result.kinds:
        if kind.kind != OTHER:
            assert kind.seeded == 12 * SEEDED[kind.kind]
            assert kind.found == (kind.seeded if kind.looked_for else 0)
            assert kind.looked_for or kind.why


def test_each_finding_left_out_is_one_fault_missed(made):
    findings, alone = perfect(made)
    truth = load_truth(made.truth)
    for place in range(0, len(findings), 17):
        result = score(truth, findings[:place] + findings[place + 1 :], alone)
        assert [fault.cards for _, fault in result.missed if findings[place]["card"] in fault.cards]
        assert len(result.missed) == 1


def test_a_finding_on_a_sound_card_is_a_false_alarm(made):
    findings, alone = perfect(made)
    truth = load_truth(made.truth)
    deck = truth.decks[0]
    faulty = {card for fault in deck.faults if fault.found_by for card in fault.cards}
    sound = next(card for card in range(1, deck.cards) if card not in faulty)
    alarm = {"deck": deck.deck, "card": sound, "stage": "validate", "reason": "check-digit"}
    result = score(truth, [*findings, alarm, alarm], alone)
    assert result.alarms == ((deck.deck, sound, "validate/check-digit"),)
    assert next(k for k in result.kinds if k.kind == "swapped-station").false_alarms == 1


def test_a_second_reason_on_a_faulty_card_is_no_alarm(made):
    findings, alone = perfect(made)
    again = {**findings[0], "stage": "validate", "reason": "something-else"}
    assert score(load_truth(made.truth), [*findings, again], alone).perfect


def test_a_station_wrongly_said_to_have_no_cards_is_a_false_alarm(made):
    findings, alone = perfect(made)
    truth = load_truth(made.truth)
    first = truth.decks[0].deck
    result = score(truth, findings, {**alone, first: [*alone[first], "000000"]})
    assert result.alarms == ((first, 0, NO_CARDS),)


def test_decks_that_were_not_run_do_not_count(made):
    findings, alone = perfect(made)
    truth = load_truth(made.truth)
    first = truth.decks[0].deck
    result = score(truth, findings, {first: alone[first]})
    assert result.decks == 1
    assert result.perfect


def test_the_score_sheet_says_what_is_not_looked_for(made):
    text = render_score(score(load_truth(made.truth), *perfect(made)))
    above, _, below = " ".join(text.split()).partition("not looked for by this version")
    for kind in KINDS.values():
        assert kind.title in (above if kind.found_by else below)
        assert kind.why in below
    assert max(map(len, text.splitlines())) <= 80


def test_every_kind_says_who_finds_it_or_why_nobody_does():
    for kind in KINDS.values():
        assert bool(kind.found_by) != bool(kind.why)
