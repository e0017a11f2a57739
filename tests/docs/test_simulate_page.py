"""The page on boxes names the conditions and the truth file as they are."""

from __future__ import annotations

import pytest

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")

from deckwright.pictures.simulator.scoring import FIELDS
from deckwright.pictures.simulator.simulate import CONDITIONS
from deckwright.wording import hyphened


def test_the_columns_of_the_truth_file_are_listed(pages):
    table = pages.table("boxes.md", "How sure is it?", "column", "is")
    listed = [name for cell in table.rows for name in cell[0].replace("`", "").split(", ")]
    assert tuple(listed) == FIELDS


def test_the_conditions_are_listed(pages):
    text = pages.text("boxes.md").partition("several in turn, or `all`: ")[2].partition(".")[0]
    assert text.replace("\n", " ").split(", ") == list(map(hyphened, CONDITIONS))
