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

from deckwright.report.codereading import CodePair, CodeReading
from deckwright.report.figures import CHECK, CROSS
from deckwright.report.model import (
    AsideLine,
    CardLine,
    ControlData,
    DeckLine,
    FaultPlaces,
    FileLine,
    OutputLine,
    ReasonLine,
    StageLine,
)
from deckwright.report.pages.sheet import MOST_DRAWN, control_sheet
from strategies import NASTY

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
    return [
        unescape(re.sub("<[^>]*>", "", cell))
        for cell in re.findall(r"<td.*?</td>", found, re.DOTALL)
    ]


@settings(max_examples=15, deadline=None)
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
        aside=[AsideLine(1, text, 1, text)],
        files=[FileLine(text, text)],
        code=CodeReading(
            text,
            1.0,
            text,
            1,
            all_cards=True,
            alike=[text],
            next=text,
            sure=False,
            cells=2,
            pairs=[CodePair(text, text, text, 1, text, [text])],
        ),
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
    terms = re.findall(r'class="sign">(.?)</span><span class="big">([\d,]+)<', page)
    numbers = [int(number.replace(",", "")) for _, number in terms]
    equals = [sign for sign, _ in terms].index("=")
    assert sum(numbers[:equals]) == sum(numbers[equals:])
    assert numbers[0] == arrived
    assert numbers[1:equals] == ([added] if added else [])
    assert numbers[equals + 1 :] == [returned, aside]
    assert "Every card is accounted for." in page


def test_the_same_data_give_the_same_bytes():
    assert control_sheet(CONTROL) == control_sheet(replace(CONTROL))


def test_the_page_fetches_nothing_and_runs_nothing():
    page = control_sheet(CONTROL)
    assert set(re.findall(r"https?://[^\"')]*", page)) == {"http://www.w3.org/2000/svg"}
    for forbidden in ("<script", "<link", "<img", "@import", "url(http", 'src="http', "onload"):
        assert forbidden not in page


def test_every_id_stands_once():
    page = control_sheet(replace(CONTROL, returned_cards=[CARD, replace(CARD, card=42)]))
    ids = parsed(page).ids
    assert len(ids) == len(set(ids)) > 0


def test_each_stage_shows_its_numbers():
    page = control_sheet(CONTROL)
    assert row(page, "Check<") == ["2", "Check\u2002validate", "998", "0", "990", "8", "0", "yes"]
    assert row(page, "The whole run") == [
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
    proof = "990 cards before and after, same digest ( 00000000000000ff )"
    assert f"{proof}: none lost, doubled or changed." in page


def test_a_sort_that_changed_cards_is_shown_as_such():
    facts = {"digest_before": 1, "digest_after": 2}
    page = control_sheet(replace(CONTROL, stages=[replace(STAGES[2], facts=facts)]))
    assert "BEFORE AND AFTER DIFFER" in page


def test_the_merge_shows_four_outcomes_and_its_further_facts():
    page = words(control_sheet(CONTROL))
    four = (
        "cards with a master record 983 cards without a master record 7 "
        "master records with a card 237 master records without a card 3"
    )
    assert f"{four} odd keys 5" in page


def test_reasons_are_split_into_returned_and_queries():
    page = control_sheet(CONTROL)
    said = "the check digit does not fitcheck-digit"
    assert row(page, ">check-digit<") == ["8", "53 %", said, "station", "2"]
    assert row(page, ">unusual<") == ["3", "query", "a fall above 150 mmunusual", "fall_03", "2"]
    assert (
        page.index(">check-digit<") < page.index("<h2>Queries and notes") < page.index(">unusual<")
    )


def test_decks_outputs_totals_and_versions_are_all_there():
    page = control_sheet(CONTROL)
    assert row(page, "rain.cbn") == [f"rain.cbn{HASH}", "1,000", "160,000"]
    assert row(page, "rain.csv") == [f"rain.csv{HASH}", "csv", "995", "12,345"]
    assert row(page, "amount") == ["amount", "204,312"]
    assert row(page, ">deckwright<") == ["deckwright", "0.1.0"]


def test_there_is_a_line_for_signature_and_date():
    assert "Checked by (name) Signature Date" in words(control_sheet(CONTROL))


def test_only_the_first_returned_cards_are_drawn():
    cards = [replace(CARD, card=number) for number in range(1, 16)]
    page = control_sheet(replace(CONTROL, returned_cards=cards))
    assert page.count("<figure>") == MOST_DRAWN
    assert f"{MOST_DRAWN} of 15 returned cards" in page


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


def test_the_verdict_tells_how_many_came_back_and_has_no_tick_when_most_did():
    stages = [StageLine(1, "decode", "", 6_012, 0, 1_000, 5_000, 12)]
    aside = [AsideLine(1, "blank", 12, "1 to 12")]
    page = control_sheet(replace(CONTROL, stages=stages, aside=aside))
    said = "5,000 of 6,012 cards (83 %) came back; 12 blank cards were left out."
    assert f"Every card is accounted for. {said}" in words(page)
    verdict = page[page.index('class="says"') :][:400]
    assert CHECK not in verdict
    assert CROSS in verdict
    good = [StageLine(1, "decode", "", 6_012, 0, 6_012, 0, 0)]
    page = control_sheet(replace(CONTROL, stages=good, reasons=()))
    assert CHECK in page[page.index('class="says"') :][:400]
    assert "None came back." in words(page)


def test_what_to_do_leads_to_the_files_and_ends_with_the_signature():
    files = [
        FileLine("returned.html", ""),
        FileLine("returned/rain & snow.cbn", ""),
        FileLine("out/reading.html", ""),
        FileLine("out/stations-without-card.csv", ""),
        FileLine("queries.csv", ""),
    ]
    page = control_sheet(replace(CONTROL, files=files, returned_page="returned.html"))
    todo = page[page.index("What to do now") : page.index("Signature")]
    wanted = ["out/reading.html", "returned.html", "returned/rain%20%26%20snow.cbn",
              "queries.csv", "out/stations-without-card.csv"]  # fmt: skip
    assert re.findall(r'href="\./([^"]*)"', todo) == wanted
    assert "then sign below" in todo
    said = "Most frequent reason in station: the check digit does not fit (8 cards)."
    assert f'{said} <small class="code">check-digit</small>' in todo
    bad = control_sheet(replace(CONTROL, equation_holds=False))
    assert "Do not use what was delivered." in bad
    assert "sign below" not in bad


def test_plots_say_in_words_where_faults_gather():
    columns = np.zeros(80, np.int64)
    columns[[11, 12]] = 40, 7
    order = np.zeros(100, np.int64)
    order[20:24] = 10
    places = FaultPlaces(
        columns, order, np.full(100, 10), np.arange(100) * 10 + 1, [("one", 1), ("two", 101)]
    )
    page = control_sheet(replace(CONTROL, places=places))
    told = words(page)
    assert "Most faults: column 12 (40 faults); column 13 (7 faults)." in told
    batch = "40 of the 40 lie together, from card 101 of two to card 140 of two"
    assert f"{batch}: look for one bad batch." in told
    assert page.count('role="img" aria-label="') >= 2
    spread = replace(places, order=np.full(100, 1))
    assert "no single batch stands out" in control_sheet(replace(CONTROL, places=spread))


def test_cards_left_out_are_explained_with_reason_and_numbers():
    aside = [AsideLine(1, "blank", 25, "1 to 20 and 5 more"), AsideLine(1, "banner", 1, "9")]
    page = control_sheet(replace(CONTROL, aside=aside))
    assert row(page, "<td>blank<") == ["25", "blank", "1", "1 to 20 and 5 more"]
    assert "set-aside" in page[page.index("Cards left out") :]
    assert "left out (banner, blank)" in words(page)


@given(st.lists(st.integers(0, 10**9), min_size=5, max_size=5))
def test_each_sign_of_the_equation_stands_with_its_number(numbers):
    stages = [StageLine(1, "decode", "", *numbers)]
    page = control_sheet(ControlData("t", [], stages, equation_holds=False))
    terms = re.findall(r'<div class="term"><span class="sign">(.?)</span><span class="big">', page)
    assert len(terms) == page.count('class="term"') == (5 if numbers[1] else 4)
    assert all(terms[1:])
