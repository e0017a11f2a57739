"""The page on media and codes: its examples load, its figures are those of the tables."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np

from deckwright.cards.codes import load_code
from deckwright.cards.holes import PATTERNS, format_pattern
from deckwright.engine.passes.firstcards import MOST_CARDS
from deckwright.engine.planning.configs import Configs
from deckwright.identify.ranking import differing_cells
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.plugin.registry import Registry

PAGE = "codes.md"


def test_the_example_of_several_codes_makes_a_medium(pages, tmp_path) -> None:
    blocks = [tomllib.loads(block) for block in pages.blocks(PAGE, "toml")]
    stage = next(block["stage"][0] for block in blocks if "stage" in block)
    made = Configs(Path(tmp_path / "job.toml"), Registry()).medium(stage["medium"])
    assert [(part.first, part.last, part.code.name) for part in made.code.parts] == [
        (73, 80, "ebcdic"),
        (1, 60, "scientific-48"),
    ]
    text = np.full((2, 80), 32, np.uint8)
    text[1, 71] = ord("F")
    on = made.code.parts[1].cards
    assert on is not None
    assert on(text).tolist() == [False, True]


def test_the_example_of_a_field_in_a_code_is_sound(pages) -> None:
    block = next(b for b in pages.blocks(PAGE, "toml") if b.startswith("[[field]]"))
    spec = LayoutSpec.model_validate(tomllib.loads(block))
    assert layout_problems(spec) == []
    assert spec.field[0].code == "scientific-48"


def test_the_figures_on_codes_are_those_of_the_tables(pages) -> None:
    said = " ".join(pages.text(PAGE).partition("## How sure the code is")[2].split())
    card, page = load_code("ascii-card"), load_code("cp037")
    assert card.from_holes is not None
    assert page.from_holes is not None
    both = np.flatnonzero(card.from_holes >= 0).astype(np.uint16)[None, :]
    differing = {punched for punched, *_ in differing_cells(card, page, both).readings}
    named = re.search(r"five patterns differently \(([^)]+)\)", said)
    assert named is not None
    assert set(named[1].split(", ")) == differing
    legal = page.from_holes >= 0
    bits = 1 << np.arange(12)
    changed = np.flatnonzero(legal)[:, None] ^ bits
    lost = changed < np.flatnonzero(legal)[:, None]
    assert f"{legal.sum()} of the {PATTERNS:,} patterns" in said
    assert f"({legal[changed][lost].sum()} of {lost.sum()} cases)" in said
    more, all_more = int(legal[changed][~lost].sum()), int((~lost).sum())
    assert f"in {more / all_more:.0%} of the cases".replace("%", " %") in said
    assert f"({more} of {all_more:,})" in said
    assert f"up to {MOST_CARDS:,}" in said
    assert format_pattern(0x806) in differing
