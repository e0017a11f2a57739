"""What the tests of personal fields share: a job with all kinds of faults, and eyes for a word."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

from deckwright.cards.codes import load_code
from drawing_help import holes_of, texts

WORD, NUMBER = "CANARYQX", "73914628"
"""Stand in the personal columns of the cards, and nowhere else."""

PEOPLE = """
[[card]]
name = "person"
when = [{ columns = "1", is = ["P"] }]
[[card.field]]
name = "family"
columns = "2-13"
personal = true
[[card.field]]
name = "number"
columns = "14-22"
kind = "whole"
personal = true
low = 0
high = 800000000
[[card.field]]
name = "initial"
columns = "2"
shares = true
[[card.field]]
name = "item"
columns = "24-28"
kind = "digits"
[[card.field]]
name = "amount"
columns = "29-34"
kind = "whole"
high = 500000
[[card.field]]
name = "note"
columns = "40-51"
[[rule]]
name = "odd-item"
holds = "item <> '00099'"
message = "item 99 is not used"
fields = ["item"]
[[rule]]
name = "odd-family"
holds = "family NOT LIKE '%ZZ'"
message = "no family ends so"
severity = "query"
"""

COPY = """
[[field]]
name = "who"
columns = "1-14"
[[field]]
name = "code"
columns = "20-31"
[[field]]
name = "item"
columns = "40-44"
kind = "digits"
"""

KEY = bytes(range(32, 72))
MASTER = f"item,family,label\n00001,{WORD}M,one\n00002,x,two\n00077,{WORD}A,alone\n"


def person(
    item: int | str = 1, amount: str = "000100", family: str = WORD, number: str = "073914628",
    note: str = "",
) -> str:  # fmt: skip
    """Return a card."""
    place = item if isinstance(item, str) else f"{item:05}"
    return f"P{family:<12}{number:<9} {place}{amount:<6}     {note:<12}"


CARDS = [
    person(),
    person(2, note="fine"),
    person("0000A"),  # a neighbour is at fault
    person(amount="9999X9"),
    person(99),  # a rule
    person(family=WORD + "ZZ"),  # a query
    person(number=NUMBER + "X"),  # the field itself is at fault
    person(number="9" + NUMBER),
    person(family=""),
    "X" + person()[1:],  # no known card type
    person()[:1] + " " + person()[1:79],  # slipped
    person()[:1] + "        " + person()[1:72],
    person(50),  # without a master
    person() + " " * 30 + WORD,  # too long
    person()[:20],  # too short
    WORD + NUMBER,
    "P" + " " * 22 + WORD,  # in another column by far
    person("0000B", amount=f"{NUMBER[:6]}", family=WORD),
]


def written(cards: list[str]) -> bytes:
    """Return cards as text lines."""
    return "".join(f"{card:<80}\n" if len(card) > 30 else f"{card}\n" for card in cards).encode()


def stages(**emit: object) -> list[dict[str, object]]:
    """Return a chain in which much goes wrong."""
    return [
        {"kind": "decode", "medium": {"kind": "text", "code": "ascii-card"}},
        {"kind": "validate", "layout": "people", "most_returned": "100 %"},
        {"kind": "sort", "keys": ["family", "item"]},
        {
            "kind": "merge",
            "master": "items",
            "match": {"item": "item"},
            "take": {"owner": "family", "label": "label"},
        },
        {
            "kind": "reproduce",
            "layout": "copy",
            "base": "card",
            "fields": {
                "who": {"move": "family"},
                "code": {"compute": "CAST(number AS VARCHAR) || 'a'"},
            },
        },
        {"kind": "emit", "output": [{"file": "plain.csv", "form": "csv"}, *emit.get("more", ())]},
    ]


def seen(data: bytes) -> Iterator[str]:
    """Yield all that can be read of a file: its text, its tables, its drawings with their holes."""
    yield data.decode("latin-1")
    yield data.decode("utf-16-le", "replace")
    if data[:4] == b"PAR1":
        frame = pl.read_parquet(io.BytesIO(data))
        for column in frame.get_columns():
            yield column.name
            yield "\n".join(map(str, column.to_list()))
    if b"<svg" in data or b"<html" in data:
        yield "".join(re.sub(r"<[^>]*>", "", data.decode()).split())
    for svg in re.findall(rb"<svg.*?</svg>", data, re.DOTALL):
        text = svg.decode()
        yield from ("".join(said.split()) for said in texts(text))
        yield punched(holes_drawn(text))


def holes_drawn(svg: str) -> np.ndarray:
    """Return the holes of a card, large or small, as patterns."""
    small = re.search(r'<path d="([^"]*)" transform="matrix\(87 0 0 250 ', svg)
    if small is None:
        return holes_of(svg)
    found = np.zeros(80, np.uint16)
    for column, row in re.findall(r"M([\d.]+) ([\d.]+)h", small[1]):
        found[int(float(column))] |= 0x800 >> int(float(row))
    return found


def punched(holes: object) -> str:
    """Return the text that holes stand for."""
    code = load_code("ascii-card")
    table = code.from_holes
    return "".join(
        code.alphabet.characters[table[hole]] or "?" if table[hole] >= 0 else "?" for hole in holes
    )


def showing(files: dict[str, bytes]) -> set[str]:
    """Return the names of files in which personal text can be read."""
    return {
        name
        for name, data in files.items()
        if any(WORD in text or NUMBER in text for text in seen(data))
    }


def make(shop: object, folder: Path, *, key: bool = True, **more: object) -> tuple[Path, Path]:
    """Write the job and its deck into a folder."""
    (folder / "items.csv").write_text(MASTER)
    (folder / "secret").write_bytes(KEY)
    files = {"items": "items.csv", **({"personal_key": "secret"} if key else {})}
    chain = more.pop("stages", None) or stages()
    personal = more.pop("personal", ["owner"])
    job = shop.job(
        folder, chain, {"people": PEOPLE, "copy": COPY}, files=files, personal=personal, **more
    )
    deck = folder / "deck.txt"
    deck.write_bytes(written(CARDS))
    return job, deck
