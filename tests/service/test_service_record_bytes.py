"""The bytes of records: those that JSON in its usual form has, whatever writes them."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from deckwright.service.records import Record

words = st.text(st.characters(), max_size=20)


class Paper(Record):
    """A record of all that records hold."""

    name: str
    size: int
    files: dict[str, int]
    notes: list[str]
    other: str | None = None


@given(words, st.integers(0, 2**63), st.dictionaries(words, st.integers(0, 9)),
       st.lists(words, max_size=3))  # fmt: skip
def test_records_are_written_as_they_always_were(
    name: str, size: int, files: dict[str, int], notes: list[str]
) -> None:
    paper = Paper(name=name, size=size, files=files, notes=notes)
    facts = {"name": name, "size": size, "files": files, "notes": notes}
    usual = json.dumps({**facts, "other": None}, indent=2, ensure_ascii=True)
    assert paper.to_bytes() == usual.encode("ascii") + b"\n"


def test_a_name_that_is_no_utf8_is_written_too() -> None:
    paper = Paper.model_construct(name="deck-\udcff", size=1, files={}, notes=[])
    assert json.loads(paper.to_bytes())["name"] == "deck-\udcff"
