"""The section on the code: what the runner-up would read differently, counted by other means."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import numpy as np
import pytest

from deckwright.report.codereading import CodePair, CodeReading
from deckwright.report.model import ControlData
from deckwright.report.pages.codesection import code_view
from deckwright.report.pages.sheet import control_sheet
from holes_help import punched, two_bytes


def section(shop: Any, folder: Any, deck: bytes, medium: dict[str, Any], **more: Any) -> str:
    """Run a deck; return the section of its control sheet as plain words."""
    stages = [
        {"kind": "decode", "medium": medium},
        *more.pop("stages", []),
        {"kind": "emit", "output": [{"file": "o.dat", "form": "deck"}]},
    ]
    job = shop.job(folder, stages, more.pop("layouts", {"none": ""}))
    run = shop.run(job, shop.deck(folder / "d", deck)).folder
    sheet = (run / "control.html").read_text(encoding="utf-8")
    found = re.search(r'<section id="code"><h2>Code</h2>.*?</section>', sheet, re.DOTALL)
    assert found is not None
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", found[0])).split())


# ANSI X3.26 (second hand) against code page 037, computed: 12-8-7 is ! in the one, | in the other
def test_cells_that_the_runner_up_reads_differently_are_counted_with_columns_and_cards(
    shop, tmp_path
) -> None:
    texts = [f"{n:05} PART {n % 7} {'STOP!' if n % 3 == 0 else 'GO ON'}" for n in range(1, 61)]
    holes = punched("ascii-card", texts)
    said = section(shop, tmp_path, two_bytes(holes), {"kind": "column-binary",
                                                      "code": "ascii-card"})  # fmt: skip
    cells = holes == 0x806
    assert f"would change {cells.sum()} characters on {cells.any(axis=1).sum()} cards" in said
    column = int(np.flatnonzero(cells.any(axis=0))[0]) + 1
    assert cells.any(axis=0).sum() == 1
    assert f"12-8-7 ! | {cells.sum()} {column} ({cells.sum()}) 3, 6, 9" in said
    assert "all 60 cards" in said


def test_a_code_that_reads_worse_than_another_is_a_warning(shop, tmp_path) -> None:
    texts = [f"{n:05} X=(A+B)*{n % 9} Y=F(X)" for n in range(80)]
    deck = two_bytes(punched("scientific-48", texts))
    medium = {"kind": "column-binary", "code": "commercial-48"}
    said = section(shop, tmp_path, deck, medium)
    assert re.search(r"Please look: scientific-\d\d fits these cards better", said), said
    assert "margin -" in said
    assert "0-8-4 % ( 160" in said


@pytest.mark.parametrize(
    ("code", "text", "asks"),
    [("ascii-card", "HALT!", True), ("scientific-48", "A=(B+C)*D, Y=F(X)+(Z)", False)],
)
def test_too_little_to_choose_is_a_warning_and_enough_is_none(
    shop, tmp_path, code, text, asks
) -> None:
    deck = two_bytes(punched(code, [f"{n:05} {text}" for n in range(60)]))
    said = section(shop, tmp_path, deck, {"kind": "column-binary", "code": code})
    assert ("Please look" in said) is asks, said
    assert "Runner-up: " in said


def test_where_every_code_reads_the_cards_alike_that_is_said(shop, tmp_path) -> None:
    said = section(shop, tmp_path, shop.lines(["PLAIN 123"] * 30), {"kind": "text"})
    assert "No other likely code would change a single character." in said
    assert "Please look" not in said
    assert "give the same text: latin-1" in said


@pytest.mark.parametrize("cards", [20_000, 20_007])
def test_the_first_twenty_thousand_cards_are_looked_at(shop, tmp_path, cards) -> None:
    said = section(shop, tmp_path, b"CARD 1" + b" " * 74 + (b"A" * 80) * (cards - 1),
                   {"kind": "blocks", "code": "ascii"})  # fmt: skip
    words = "all 20,000 cards" if cards == 20_000 else "the first 20,000 cards"
    assert f"Looked at: {words}." in said


@pytest.mark.parametrize("with_layout", [True, False])
def test_a_zone_over_a_zero_is_a_digit_in_every_code(shop, tmp_path, with_layout) -> None:
    # 11-0 is } under the 8-bit code (ISO 6586) and a letter under national pages, ! in a set of 64
    zeros = "{ABCDEFGHI}JKLMNOPQR"
    texts = [f"{n:05}{n * 37 % 999:05}{n % 10 if n % 3 else zeros[n % 20]}" for n in range(200)]
    layout = '[[field]]\nname = "a"\ncolumns = "6-11"\nkind = "whole"\nsign = "overpunch-right"\n'
    stages = [{"kind": "validate", "layout": "own"}] if with_layout else []
    said = section(shop, tmp_path, two_bytes(punched("ebcdic", texts)),
                   {"kind": "column-binary"}, stages=stages, layouts={"own": layout})  # fmt: skip
    assert "No other likely code would change" in said, said


def test_columns_in_codes_of_their_own_are_named_and_not_in_question(shop, tmp_path) -> None:
    left = punched("commercial-48", ["PART 52"] * 40)[:, :40]
    right = punched("scientific-48", ["A=(B)"] * 40)[:, :40]
    codes = [{"columns": "41-80", "code": "scientific-48"}]
    medium = {"kind": "column-binary", "code": "commercial-48", "codes": codes}
    said = section(shop, tmp_path, two_bytes(np.hstack([left, right])), medium)
    assert "columns 41-80 are in scientific-48" in said
    assert "Please look" not in said


def test_the_layout_counts_as_evidence(shop, room) -> None:
    layout = '[[field]]\nname = "a"\ncolumns = "1-5"\nkind = "choice"\nchoices = ["A|B"]\n'
    deck = two_bytes(punched("ebcdic", ["A|B"] * 8))
    stages = [{"kind": "validate", "layout": "own", "most_returned": "100 %"}]
    medium = {"kind": "column-binary", "code": "ebcdic"}
    without = section(shop, room(), deck, medium)
    fitting = section(shop, room(), deck, medium, stages=stages, layouts={"own": layout})
    assert "Please look" in without
    assert "Please look" not in fitting


def test_the_section_shows_what_it_is_given_and_no_markup_of_cards() -> None:
    pair = CodePair("12-8-6", "<", "", 3, "7 (3)", ["1", "2", "1,000"])
    reading = CodeReading("a", 0.5, "x < y", 9, all_cards=False, next="b", next_score=0.4,
                          cells=5, cards=4, pairs=[pair])  # fmt: skip
    control = ControlData("t", [], [], equation_holds=True, code=reading)
    page = control_sheet(control)
    assert '<td class="mono">&lt;</td><td class="mono">nothing</td>' in page
    assert "2 further cells not listed." in page
    assert "1, 2, 1,000" in page
    assert "margin +0.100" in page
    assert code_view(None) is None
