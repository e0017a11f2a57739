"""The control sheet: numbers that add up, nothing fetched, nothing left unescaped."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.report.model import (
    CardLine,
    ControlData,
    DeckLine,
    OutputLine,
    ReasonLine,
    StageLine,
)
from deckwright.report.sheet import MOST_DRAWN, control_sheet

HASH = "0123456789abcdef" * 4
STAGES = (
    StageLine(1, "decode", "", 1_000, 0, 998, 0, 2),
    StageLine(2, "validate", "Check", 998, 0, 990, 8, 0, queries=3),
    StageLine(3, "sort", "", 990, 0, 990, 0, 0, 0, {"digest_before": 255, "digest_after": 255}),
    StageLine(
        4,
        "merge",
        "Match",
        990,
        0,
        983,
        7,
        0,
        0,
        {
            "matched": 983,
            "without_master": 7,
            "masters": 240,
            "masters_without_card": 3,
            "odd_keys": 5,
        },
    ),
    StageLine(5, "summary", "", 983, 12, 995, 0, 0),
)
REASONS = (
    ReasonLine(2, "check-digit", "station", "fatal", 8, "the check digit does not fit"),
    ReasonLine(2, "unusual", "fall_03", "query", 3, "a fall above 150 mm"),
)
CARD = CardLine(
    41, np.full(80, 0x200, np.uint16), "0" * 80, [(3, 8, "the check digit does not fit")]
)
CONTROL = ControlData(
    title="Rain, one month",
    decks=(DeckLine("rain.cbn", 1_000, 160_000, HASH),),
    stages=STAGES,
    equation_holds=True,
    reasons=REASONS,
    outputs=(OutputLine("rain.csv", "csv", 995, 12_345, HASH),),
    returned_cards=(CARD,),
    totals=(("amount", 204_312),),
    versions={"deckwright": "0.1.0"},
)
VOID = {"meta", "wbr", "link"}


class Checker(HTMLParser):
    """Follows tags and collects text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.words: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.ids += [value for name, value in attrs if name == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.ids += [value for name, value in attrs if name == "id"]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)


def parsed(page: str) -> Checker:
    checker = Checker()
    checker.feed(page)
    checker.close()
    assert checker.open == []
    return checker


def words(page: str) -> str:
    return " ".join(" ".join(parsed(page).words).split())


def row(page: str, first: str) -> list[str]:
    """Return the cells of the table row that holds this text."""
    found = next(part for part in re.findall(r"<tr>(.*?)</tr>", page, re.DOTALL) if first in part)
    return [unescape(re.sub("<[^>]*>", "", cell)) for cell in re.findall(r"<td.*?</td>", found)]


NASTY = st.text(max_size=30) | st.sampled_from(["<script>alert(1)</script>", "\"'&<>", "</style>"])


@settings(max_examples=40, deadline=None)
@given(NASTY)
def test_whatever_stands_in_the_data_the_page_is_whole(text):
    stage = StageLine(
        1, text, text, 1, 0, 1, 0, 0, 0, {text: text, "digest_before": text, "digest_after": text}
    )
    control = ControlData(
        title=text,
        decks=[DeckLine(text, 1, 1, text)] * 5,
        stages=[stage],
        equation_holds=True,
        reasons=[ReasonLine(1, text, text, s, 1, text) for s in ("fatal", "query")],
        outputs=[OutputLine(text, text, 1, 1, text)],
        returned_cards=[
            CardLine(1, np.zeros(80, np.uint16), text, [(1, 2, text)], text),
            CardLine(2, None, text * 9, [(1, 2, text)], text),
        ],
        totals=[(text, text)],
        versions={text: text},
    )
    page = control_sheet(control)
    parsed(page)
    assert page.count("<script") == 0
    assert page.count("</style>") == 1


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(0, 10**6), st.integers(0, 10**6))
def test_the_equation_of_the_page_adds_up_as_the_data_do(left, returned, aside, added):
    arrived = left + returned + aside
    stages = [StageLine(1, "decode", "", arrived, added, left + added, returned, aside)]
    page = control_sheet(ControlData("t", [], stages, equation_holds=True))
    numbers = re.findall(r'class="big">([\d,]+)<', page)[:5]
    came, more, went, back, beside = (int(number.replace(",", "")) for number in numbers)
    assert came + more == went + back + beside
    assert (came, more, back, beside) == (arrived, added, returned, aside)
    assert "Every card is accounted for." in page


def test_the_same_data_give_the_same_bytes():
    assert control_sheet(CONTROL) == control_sheet(replace(CONTROL))


def test_the_page_fetches_nothing_and_runs_nothing():
    page = control_sheet(CONTROL)
    assert set(re.findall(r"https?://[^\"')]*", page)) == {"http://www.w3.org/2000/svg"}
    for forbidden in ("<script", "<link", "<img", "@import", "url(http", "src=", "onload"):
        assert forbidden not in page


def test_every_id_stands_once():
    page = control_sheet(replace(CONTROL, returned_cards=[CARD, replace(CARD, card=42)]))
    ids = parsed(page).ids
    assert len(ids) == len(set(ids)) > 0


def test_each_stage_shows_its_numbers():
    page = control_sheet(CONTROL)
    assert row(page, "Check<") == ["2", "Check\u2002validate", "998", "0", "990", "8", "0", "yes"]
    assert row(page, "The whole run") == [
        "",
        "The whole run",
        "1,000",
        "12",
        "995",
        "15",
        "2",
        "yes",
    ]


@pytest.mark.parametrize(
    "control",
    [
        replace(CONTROL, equation_holds=False),
        replace(CONTROL, stages=[replace(STAGES[0], left=997)]),
    ],
)
def test_a_run_that_does_not_add_up_says_so_aloud(control):
    page = control_sheet(control)
    assert "Do not release this run." in page
    assert "Every card is accounted for." not in page
    assert 'class="verdict bad"' in page


def test_a_stage_that_does_not_add_up_is_marked_in_its_row():
    page = control_sheet(replace(CONTROL, stages=[replace(STAGES[1], left=1)]))
    assert row(page, "Check<")[-1] == "NO"
    assert row(page, "The whole run")[-1] == "NO"


def test_the_sort_shows_its_proof():
    page = words(control_sheet(CONTROL))
    proof = "Before 990 cards, digest 00000000000000ff ; after 990 cards, digest 00000000000000ff"
    assert f"{proof} : nothing was lost, doubled or changed." in page


def test_a_sort_that_changed_cards_is_shown_as_such():
    facts = {"digest_before": 1, "digest_after": 2}
    page = control_sheet(replace(CONTROL, stages=[replace(STAGES[2], facts=facts)]))
    assert "BEFORE AND AFTER DIFFER" in page


def test_the_merge_shows_four_outcomes_and_its_further_facts():
    page = words(control_sheet(CONTROL))
    four = "983 cards met a master 7 cards met none 237 masters met a card 3 masters met none"
    assert f"{four} odd keys 5" in page


def test_reasons_are_split_into_returned_and_queries():
    page = control_sheet(CONTROL)
    assert row(page, "check-digit") == [
        "2",
        "check-digit",
        "station",
        "8",
        "the check digit does not fit",
    ]
    assert row(page, "unusual") == ["2", "unusual", "fall_03", "query", "3", "a fall above 150 mm"]
    assert page.index("check-digit") < page.index("Queries and notes") < page.index("unusual")


def test_decks_outputs_totals_and_versions_are_all_there():
    page = control_sheet(CONTROL)
    assert row(page, "rain.cbn") == ["rain.cbn", "1,000", "160,000", HASH]
    assert row(page, "rain.csv") == ["rain.csv", "csv", "995", "12,345", HASH]
    assert row(page, "amount") == ["amount", "204,312"]
    assert row(page, ">deckwright<") == ["deckwright", "0.1.0"]


def test_there_is_a_line_for_signature_and_date():
    assert "Checked by (name) Signature Date" in words(control_sheet(CONTROL))


def test_only_the_first_returned_cards_are_drawn():
    cards = [replace(CARD, card=number) for number in range(1, 16)]
    page = control_sheet(replace(CONTROL, returned_cards=cards))
    assert page.count("<figure>") == MOST_DRAWN
    assert f"The first {MOST_DRAWN} of 15 returned cards" in page


def test_a_long_record_is_shown_in_rows_under_a_ruler():
    text = "x" * 80 + "ABCDE"
    page = control_sheet(
        replace(CONTROL, returned_cards=[CardLine(7, None, text, [(82, 83, "odd")])])
    )
    shown = re.search(r"<pre>(.*?)</pre>", page, re.DOTALL)[1].splitlines()
    ruler = "".join(f"....:....{ten}" for ten in range(1, 9))
    assert shown[:2] == [f"<i>     1 {ruler}</i>", f"       {'x' * 80}"]
    assert shown[2:] == ["<i>    81 ....:</i>", "       ABCDE", "        11"]
    assert "columns 82\u201383: odd" in words(page)


def test_of_a_very_long_record_the_faulty_rows_are_shown():
    text = "y" * 8_000
    page = control_sheet(
        replace(CONTROL, returned_cards=[CardLine(7, None, text, [(4_001, 4_001, "odd")])])
    )
    shown = re.search(r"<pre>(.*?)</pre>", page, re.DOTALL)[1]
    assert shown.startswith("<i>  4001")
    assert shown.count("<i>") == 1
    assert "99 further rows of this record not shown" in page


def test_a_run_that_did_nothing_still_has_a_sheet():
    page = control_sheet(ControlData("nothing", [], [], equation_holds=True))
    assert "No card was returned." in page
    assert "Nothing was delivered." in page
    parsed(page)
