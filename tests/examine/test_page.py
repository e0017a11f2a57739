"""The page, the terminal and the guide: complete, self-contained, and as they say."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from itertools import pairwise

import numpy as np
import pytest

from deckwright.examine.deck import examine
from deckwright.examine.figures import figures_json
from deckwright.examine.model import CLASSES
from deckwright.examine.show.page import deck_report
from deckwright.examine.show.picture import class_letters, fields_strip
from deckwright.examine.show.terminal import lines
from deckwright.examine.strengths import MEANINGS
from examine.conftest import text_deck

GUIDE = files("deckwright").joinpath("guide", "strange-deck.md").read_text(encoding="utf-8")
VOID = {"meta", "br", "wbr"}


class Page(HTMLParser):
    """Notes tags, ids and what would be fetched; checks that every tag is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.fetched: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs) -> None:
        named = dict(attrs)
        self.ids += [named["id"]] if "id" in named else []
        self.fetched += [named[name] for name in ("src", "href", "data") if name in named]
        self.fetched += [tag] if tag in ("script", "link", "iframe", "img") else []
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs) -> None:
        self.ids += [value for name, value in attrs if name == "id"]

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        self.words.append(data)


def test_the_page_is_one_file_that_fetches_nothing(january) -> None:
    text = deck_report(january)
    page = Page(text)
    assert page.fetched == []
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", text)
    assert set(re.findall(r"https?://[^\"' ]*", text)) == {"http://www.w3.org/2000/svg"}


def test_the_page_says_what_it_must(january) -> None:
    text = " ".join("".join(Page(deck_report(january)).words).split())
    assert "This page repeats what is punched on cards" in text
    assert "953 cards of 80 columns" in text
    assert all(word in text for word in MEANINGS)
    for one in january.types.types:
        for guess in one.guesses:
            assert guess.what in text
    for card in january.drawn:
        assert f"Card {card.card:,}: {card.why}" in text


def test_the_page_follows_a_dark_screen(january) -> None:
    style = re.search("<style>(.*?)</style>", deck_report(january), re.DOTALL)[1]
    assert "color-scheme:light dark" in style
    dark = re.findall(r"prefers-color-scheme:dark\)\{:root\{--page:(#\w+)", style)
    assert dark == ["#181917"]


def test_numbers_of_fields_never_overlap(january) -> None:
    one = [guess for facts in january.types.types for guess in facts.guesses]
    narrow = [replace(one[0], first=place, last=place) for place in range(1, 81)]
    drawing = fields_strip(narrow, 80).partition("<g><title>")[2]
    found = re.findall(r'<text x="([\d.]+)" y="(\d+)"[^>]*>(\d+)</text></g>', drawing)
    assert len(found) == 80
    for height in {height for _, height, _ in found}:
        line = [(float(x), len(number)) for x, y, number in found if y == height]
        for (left, digits), (right, more) in pairwise(line):
            assert right - left >= 7 * (digits + more) / 2


def test_a_code_that_spoils_signed_digits_is_said_to_do_so(january) -> None:
    text = deck_report(january)
    assert "digits with signs do not fit this code" in text
    assert "fit the layout" not in text


def test_the_same_deck_gives_the_same_page(january, demo) -> None:
    assert deck_report(examine([demo.decks[0]])) == deck_report(january)


def test_what_cards_hold_is_never_taken_for_html(write, planted) -> None:
    cards = planted(60)
    cards[:, 29:37] = list(b"<script>")
    page = Page(deck_report(examine([write(text_deck(cards), "<b>.txt")])))
    assert page.fetched == []
    assert "<script>" in "".join(page.words)


def test_wide_records_are_drawn_in_rows_and_shown_as_text(write) -> None:
    random = np.random.default_rng(1)
    cards = random.integers(48, 58, (50, 200)).astype(np.uint8)
    found = examine([write(cards.tobytes())], medium={"kind": "blocks", "code": "ascii",
                                                      "record_length": 200})  # fmt: skip
    page = deck_report(found)
    assert page.count('class="bars"') == 3
    assert all(card.patterns is None for card in found.drawn)


def test_letters_of_the_columns_say_what_the_counts_say(january) -> None:
    letters = class_letters(january.columns)
    classes = january.columns.classes
    assert len(letters) == 80
    for letter, counts in zip(letters, classes.tolist(), strict=True):
        filled = sum(counts) - counts[0]
        assert (letter == ".") == (filled == 0)
        if filled:
            assert letter.isupper() == (2 * filled >= sum(counts))
            initial = CLASSES[1 + int(np.argmax(counts[1:]))][0]
            assert letter.lower() == {"i": "x"}.get(initial, initial)


def test_the_terminal_says_the_same_without_colour(january, demo, shop, monkeypatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)  # the width of whoever runs the tests
    said = shop.say("examine", demo.decks[0])
    assert said.code == 0
    plain = ["".join(text for text, _ in line).rstrip() for line in lines(january)]
    assert said.out.splitlines() == plain
    assert "\x1b" not in said.out
    assert max(map(len, plain)) <= 100


def test_characters_of_which_nothing_is_seen_are_told_in_words(january) -> None:
    examples = [("8-1", "", "`", 5), ("8-2", " ", "a", 3)]
    reading = replace(january.reading, runner_up="cp037", examples=examples)
    said = ["".join(text for text, _ in line) for line in lines(replace(january, reading=reading))]
    assert "    8-1: nothing, or '`'; 5 cells" in said
    assert "    8-2: blank, or 'a'; 3 cells" in said


def test_brief_shows_no_card(write, planted, shop) -> None:
    deck = write(text_deck(planted(60)))
    said = shop.say("examine", deck, "--brief")
    first = examine([deck]).drawn[0].text[:20]
    assert first.strip()
    assert first not in said.out
    assert "Guessed fields" in said.out


def test_json_holds_all_figures(january, demo, shop) -> None:
    said = shop.say("examine", demo.decks[0], "--json", "-")
    table = json.loads(said.out)
    assert table == json.loads(figures_json(january))
    assert table["cards"] == january.cards
    assert table["code"] == "ebcdic"
    assert len(table["columns"]) == 80
    for column in table["columns"]:
        assert sum(column[name] for name in CLASSES) == table["data_cards"]
    assert table["types"]["types"][0]["guesses"][0]["sentence"]


@pytest.mark.slow
def test_every_command_of_the_guide_page_works(shop, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"^```console\n(.*?)^```$", GUIDE, re.DOTALL | re.MULTILINE)
    commands = [line for block in blocks for line in block.splitlines()]
    assert len(commands) > 7
    for line in commands:
        program, *words = shlex.split(line)
        assert program == "deckwright"
        said = shop.say(*words)
        assert said.code == 0, (line, said.err)
    assert (tmp_path / "march.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (tmp_path / "first-try" / "run" / "out" / "cards.csv").is_file()


def test_the_guide_page_tells_the_strengths_as_they_are() -> None:
    rows = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", GUIDE, re.MULTILINE))
    assert rows == MEANINGS
