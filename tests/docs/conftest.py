"""What the tests of the documentation share: pages taken apart, a run in which all happens."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from deckwright.engine.run import Outcome, run_job

ROOT = Path(__file__).parents[2]
PLACES = (ROOT, ROOT / "pipeline" / "deckwright" / "guide")

_BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_NAME = re.compile(r"# ([a-z-]+\.toml)\n")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a page: the heading above it, its head, its rows."""

    heading: str
    head: list[str]
    rows: list[list[str]]

    def first(self) -> list[str]:
        """Return the first cells without backticks."""
        return [row[0].strip("`") for row in self.rows]


class Pages:
    """README, DEVELOPERS and the guide."""

    root = ROOT

    @staticmethod
    def guide() -> list[str]:
        """Return the names of the guide's pages."""
        return sorted(page.name for page in PLACES[1].glob("*.md"))

    @staticmethod
    def text(page: str) -> str:
        """Return a page."""
        path = next(place / page for place in PLACES if (place / page).is_file())
        return path.read_text(encoding="utf-8")

    @staticmethod
    def blocks(page: str, language: str) -> list[str]:
        """Return the blocks of one language."""
        return [text for kind, text in _BLOCK.findall(Pages.text(page)) if kind == language]

    @staticmethod
    def named(page: str) -> dict[str, str]:
        """Return the TOML blocks that begin with the name of their file."""
        return {
            found[1]: block
            for block in Pages.blocks(page, "toml")
            if (found := _NAME.match(block)) is not None
        }

    @staticmethod
    def tables(page: str) -> list[Table]:
        """Return the tables."""
        tables: list[Table] = []
        heading, before = "", ""
        for line in _BLOCK.sub("", Pages.text(page)).splitlines():
            if line.startswith("#"):
                heading = line.lstrip("# ")
            elif line.startswith("|"):
                cells = [cell.strip() for cell in line.strip("|").split("|")]
                if not before.startswith("|"):
                    tables.append(Table(heading, cells, []))
                elif not set("".join(cells)) <= set("-"):
                    tables[-1].rows.append(cells)
            before = line
        return tables

    @staticmethod
    def table(page: str, heading: str, *head: str) -> Table:
        """Return the first table under a heading whose head begins so."""
        return next(
            table
            for table in Pages.tables(page)
            if table.heading == heading and table.head[: len(head)] == list(head)
        )


LAYOUT = """
[[field]]
name = "item"
columns = "1-5"
kind = "digits"
blank = "error"
[[field]]
name = "amount"
columns = "6-9"
kind = "whole"
high = 5000
overpunch = { "11" = "trace" }
severity = "query"
[[field]]
name = "colour"
columns = "10"
kind = "choice"
choices = ["R", "G"]
severity = "note"
"""
JOB = """
title = "All that can happen"
plugins = ["twice.py"]
[files]
depots = "depots.csv"
[[stage]]
kind = "decode"
medium = { kind = "text" }
[[stage]]
kind = "validate"
layout = "item"
[[stage]]
kind = "sort"
keys = ["item"]
[[stage]]
kind = "merge"
master = "depots"
match = { item = "item" }
take = { depot = "name" }
[[stage]]
kind = "reproduce"
layout = "new"
base = "card"
[stage.fields]
serial = { sequence = {} }
[[stage]]
kind = "twice"
[[stage]]
kind = "emit"
[[stage.output]]
file = "cards.csv"
form = "csv"
where = "amount > 1"
[[stage.output]]
file = "cards.txt"
form = "fixed"
layout = "new"
"""
TWICE = '''"""Adds a copy of the first card of every tray, and doubts the whole run."""

from __future__ import annotations

import dataclasses

import numpy as np

from deckwright import Book, Closing, StageConfig, Tray, TrayStage, hookimpl


class TwiceConfig(StageConfig):
    """No options."""


class TwiceStage(TrayStage[TwiceConfig]):
    kind = "twice"

    def run(self, tray: Tray, book: Book) -> Tray:
        out = tray.take(np.concatenate([np.arange(len(tray)), [0]]))
        cards = np.concatenate([tray.cards, book.add_cards(1)])
        return dataclasses.replace(out, cards=cards)

    def finish(self, closing: Closing) -> dict[str, int | str]:
        closing.fault("doubled", "cards were copied", "query")
        return {}


@hookimpl
def deckwright_stages() -> list[type[TwiceStage]]:
    return [TwiceStage]
'''
CARDS = "000030001R\n000020009X\n0000A0001R\n\n000019999G\n000090001G\n000010001R\n"


@pytest.fixture(scope="session")
def pages() -> Pages:
    """Return the pages."""
    return Pages()


@pytest.fixture(scope="session")
def eventful(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Return a run of all six stages and a plugin, with every event that there is."""
    folder = tmp_path_factory.mktemp("eventful")
    new = '[[field]]\nname = "serial"\ncolumns = "70-72"\nkind = "whole"\n'
    files: dict[str, Any] = {
        "job.toml": JOB,
        "twice.py": TWICE,
        "item.toml": LAYOUT,
        "new.toml": new,
        "depots.csv": "item,name\n00001,North\n00002,South\n00003,East\n00004,West\n",
        "cards.deck": CARDS,
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return run_job(folder / "job.toml", [folder / "cards.deck"], folder / "run", workers=1)
