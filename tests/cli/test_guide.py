"""The guide on a terminal: wrapped, whole, without the signs of its source."""

from __future__ import annotations

import re
import textwrap
from importlib.resources import files

import click
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.cli.commands.guide import topics
from deckwright.cli.shared.guidepage import Page

quick = settings(max_examples=60, deadline=None)

HEAD = re.compile(r"^\|.*\|\n\|---", re.MULTILINE)
LINK = re.compile(r"\]\([^)]*\)")


CELL = st.from_regex(r"[a-z]{1,9}( [a-z]{1,9}){0,9}", fullmatch=True)


def source(topic: str) -> str:
    return files("deckwright").joinpath("guide", f"{topic}.md").read_text(encoding="utf-8")


def words(text: str) -> list[str]:
    return re.findall(r"[A-Za-z]{3,}|\d{2,}", LINK.sub("]", text).replace("default:", ""))


def examples(text: str) -> set[str]:
    blocks = map(textwrap.dedent, re.findall(r"```.*?\n(.*?)```", text, re.DOTALL))
    return {f"    {line}".rstrip() for block in blocks for line in block.splitlines()}


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("topic", topics())
def test_a_page_fits_its_width_and_loses_no_word(topic, width):
    text = source(topic)
    lines = list(Page(width).lines(text))
    kept = examples(text)
    for line in lines:
        assert len(line) <= width or line in kept or len(line.split()) == 1, line
    assert kept <= set(lines)
    shown = words("\n".join(lines))
    # what heads a table may be left to its cells to say
    for word in set(words(HEAD.sub("", text))) - {"toml", "console", "text", "python", "sql"}:
        assert word in shown, word


@pytest.mark.parametrize("topic", topics())
def test_a_page_shows_no_links_that_lead_nowhere_and_no_table_signs(topic):
    text = source(topic)
    kept = examples(text)
    for line in Page(80).lines(text):
        if line not in kept:
            assert "](" not in line
            assert "**" not in line
            assert not line.startswith(("|", "#", "```"))


@pytest.mark.parametrize("topic", topics())
def test_colour_changes_signs_alone(topic):
    text = source(topic)
    plain = "\n".join(Page(80).lines(text))
    coloured = click.unstyle("\n".join(Page(80, coloured=True).lines(text)))
    assert words(plain) == words(coloured)


@quick
@given(
    st.lists(
        st.lists(
            st.from_regex(r"[a-z]{1,9}( [a-z]{1,9}){0,9}", fullmatch=True), min_size=3, max_size=3
        ),
        min_size=1,
        max_size=4,
    ),
    st.integers(40, 120),
)
def test_cells_of_tables_stay_whole_in_any_width(rows, width):
    table = [
        "| name | default | meaning |",
        "|---|---|---|",
        *(f"| {' | '.join(row)} |" for row in rows),
    ]
    shown = list(Page(width).lines("\n".join(table)))
    assert all(len(line) <= width for line in shown)
    told = " ".join(" ".join(shown).split())
    for row in rows:
        for cell in row:
            assert cell in told


def test_a_topic_that_is_not_there_is_near_one_that_is(shop):
    said = shop.say("guide", "layuot")
    assert (said.code, said.err) == (
        2, "deckwright: guide: there is no page 'layuot'; did you mean 'layout'?\n",
    )  # fmt: skip
