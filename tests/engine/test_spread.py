"""Multi-punched columns through whole runs: variables and frequencies against the raw bytes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sets import DEAR
from strategies import SIZES

ROWS = ["12", "11", "0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]
LAYOUT = """
[[field]]
name = "person"
columns = "1-4"
kind = "digits"
blank = "error"
[[field]]
name = "answers"
columns = "6-80"
kind = "holes"
"""


def deck_of(cards: int, seed: int) -> np.ndarray:
    """Return column binary (n, 80, 2): numbers in columns 1 to 4, any holes from column 6 on.

    The published layout: rows 12 to 3 in the first byte, 4 to 9 in the second, row 12 and row 4
    worth 32.
    """
    random = np.random.default_rng(seed)
    image = random.integers(0, 64, (cards, 80, 2)).astype(np.uint8)
    image[random.random((cards, 80)) < 0.3] = 0
    digits = np.array([[int(d) for d in f"{n:04}"] for n in random.permutation(cards)])
    bits = np.array(
        [0x0800, 0x0400, 0x0200, 0x0100, 0x0020, 0x0010, 0x0008, 0x0004, 0x0002, 0x0001]
    )
    image[:, :4, 0] = bits[digits] >> 8
    image[:, :4, 1] = bits[digits] & 0x3F
    image[:, 4] = 0
    return image


def row_bits(image: np.ndarray) -> np.ndarray:
    """Return 0 or 1 for each row of each column (n, 80, 12), from the bytes alone."""
    return (
        np.unpackbits(image, axis=2).reshape(len(image), 80, 2, 8)[:, :, :, 2:].reshape(-1, 80, 12)
    )


def job_of(shop: Any, folder: Path, *middle: Any, **options: Any) -> Path:
    spread = {"kind": "spread", "fields": ["card", "person"], **options}
    stages = [
        {"kind": "decode", "medium": {"kind": "column-binary"}},
        {"kind": "validate", "layout": "survey", "most_returned": "100 %"},
        *middle,
        spread,
        {"kind": "emit", "output": [{"file": "back.cbn", "form": "deck"}]},
    ]
    return shop.job(folder, stages, {"survey": LAYOUT})


@DEAR
@given(
    st.integers(1, 40),
    st.integers(0, 10_000),
    st.lists(st.integers(6, 80), min_size=1, max_size=5, unique=True),
    SIZES,
)
def test_a_deck_is_spread_without_recoding(shop, room, cards, seed, columns, sizes) -> None:
    folder = room()
    image = deck_of(cards, seed)
    text = ",".join(map(str, columns))
    sort = {"kind": "sort", "keys": [{"field": "person"}]}
    job = job_of(shop, folder, sort, columns=text, patterns=True)
    run = shop.run(job, shop.deck(folder / "d.cbn", image.tobytes()), sizes=sizes).folder
    spread = pl.read_csv(run / "out" / "spread.csv", infer_schema=False)
    bits = row_bits(image)[spread["card"].cast(pl.Int64).to_numpy() - 1]
    assert spread["person"].to_list() == sorted(spread["person"].to_list())
    frequencies = pl.read_csv(run / "out" / "spread-frequencies.csv", infer_schema=False)
    expected = []
    for column in sorted(columns):
        for place, row in enumerate(ROWS):
            there = bits[:, column - 1, place]
            assert spread[f"c{column}_{row}"].cast(pl.Int64).to_list() == there.tolist()
            expected.append((f"c{column}_{row}", str(column), row, str(there.sum()), str(cards)))
        empty = (bits[:, column - 1].sum(axis=1) == 0).sum()
        expected.append(("", str(column), "none", str(empty), str(cards)))
    assert frequencies.rows() == expected
    # nothing is recoded: the deck that goes on has every hole that it came with
    order = spread["card"].cast(pl.Int64).to_numpy() - 1
    assert (run / "out" / "back.cbn").read_bytes() == image[order].tobytes()


@pytest.mark.slow
def test_every_process_counts_and_all_is_added_up(shop, tmp_path) -> None:
    image = deck_of(60, 5)
    deck = shop.deck(tmp_path / "d.cbn", image.tobytes())
    job = job_of(shop, tmp_path, columns="6-80")
    one = shop.run(job, deck, sizes=shop.small)
    two = shop.run(job, deck, sizes=shop.small, workers=2, out=tmp_path / "two")
    assert shop.sums(one.folder) == shop.sums(two.folder)
    frequencies = pl.read_csv(one.folder / "out" / "spread-frequencies.csv")
    holes = frequencies.filter(pl.col("row") != "none")["holes"].to_numpy().reshape(75, 12)
    assert (holes == row_bits(image)[:, 5:].sum(axis=0)).all()
    facts = shop.control(one.folder)["stages"][2]["facts"]
    assert facts == {"cards": 60, "variables": 900, "holes": int(row_bits(image)[:, 5:].sum())}


def test_cards_that_came_back_are_not_counted(shop, tmp_path) -> None:
    image = deck_of(9, 2)
    image[4, 0] = 0  # a person without a number
    run = shop.run(
        job_of(shop, tmp_path, columns="7", frequencies="f.csv"),
        shop.deck(tmp_path / "d.cbn", image.tobytes()),
    ).folder
    kept = row_bits(np.delete(image, 4, axis=0))
    frequencies = pl.read_csv(run / "out" / "f.csv")
    assert frequencies["holes"].to_list()[:12] == kept[:, 6].sum(axis=0).tolist()
    assert set(frequencies["cards"].to_list()) == {8}
    assert (run / "returned" / "d.cbn").read_bytes() == image[4].tobytes()


def test_variables_are_named_as_an_archive_names_them(shop, tmp_path) -> None:
    image = deck_of(3, 8)
    names = ["Y", "X", *map(str, range(10))]
    job = job_of(shop, tmp_path, columns="6", row_names=names, rows=["X", "1", "9"],
                 name="D1C{column:02}_{row}", file="d1.csv")  # fmt: skip
    run = shop.run(job, shop.deck(tmp_path / "d.cbn", image.tobytes())).folder
    spread = pl.read_csv(run / "out" / "d1.csv")
    assert spread.columns == ["card", "person", "D1C06_X", "D1C06_1", "D1C06_9"]
    assert spread.select("D1C06_X", "D1C06_1", "D1C06_9").rows() == [
        tuple(card) for card in row_bits(image)[:, 5, [1, 3, 11]].tolist()
    ]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"columns": "81"}, "column 81 is beyond the 80 columns of a card"),
        ({"columns": "6", "fields": ["persn"]}, "did you mean 'person'"),
        ({"columns": "6", "file": "back.cbn"}, "is written twice"),
        ({"columns": "six"}, "write them as in '10-12,40'"),
    ],
)
def test_a_spread_that_cannot_be_is_refused_with_its_line(shop, tmp_path, options, words) -> None:
    said = shop.say("check", job_of(shop, tmp_path, **options))
    assert (said.code, words in said.err) == (2, True), said.err
    assert "job.toml:" in said.err
