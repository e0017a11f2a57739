"""The code tables that the package brings ready made are those that would be made anew."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest

from deckwright.cards.codes import load_code, made_anew
from deckwright.cards.codetable import CodeTable
from deckwright.cards.prepared import FILE, prepared_code, prepared_names
from deckwright.cards.preparing import tables

ANEW = {code.name: code for code in made_anew()}


def test_the_file_is_what_is_made_anew() -> None:
    kept = files("deckwright.cards").joinpath(FILE).read_bytes()
    assert kept == tables(), "run python -m deckwright.cards.preparing"


def test_every_code_is_kept() -> None:
    assert list(prepared_names()) == list(ANEW)
    assert prepared_code("no such code") is None


@pytest.mark.parametrize("name", ANEW)
def test_a_kept_code_is_the_code_made_anew(name: str) -> None:
    kept, anew = load_code(name), ANEW[name]
    assert kept is not anew
    assert facts(kept) == facts(anew)
    for part in ("from_raw", "to_raw", "from_holes", "to_holes"):
        old, new = getattr(anew, part), getattr(kept, part)
        assert (old is None) == (new is None)
        if old is not None:
            assert old.dtype == new.dtype
            assert np.array_equal(old, new)
            assert not new.flags.writeable


def facts(code: CodeTable) -> tuple[object, ...]:
    return code.name, code.title, code.source, code.alphabet.characters, code.parts
