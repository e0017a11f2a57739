"""The page on boxes is done as it is written, and every reason for pictures is explained."""

from __future__ import annotations

import ast
import csv
import inspect
import io
import tarfile

import polars as pl
import pytest

from deckwright import PictureError
from deckwright_plugins.media.pictures import desk
from deckwright_plugins.media.pictures.bench import ROWS
from picture_help import card, foldered, half_punched, saved, zipped

PAGE = "boxes.md"
UNSURE = "0000207000050"
BOX = {
    "card-1.png": saved(card("0000412001250")),
    "card-2.png": saved(half_punched(UNSURE, 9)),
    "card-3.png": saved(card("")),
    "card-10.png": saved(card("0000207999999")),
    "read me.txt": b"from the attic",
}


@pytest.mark.slow
def test_a_box_is_read_in_rounds_as_the_page_says(pages, tmp_path, shop, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name, block in pages.named(PAGE).items():
        (tmp_path / name).write_text(block, "utf-8")
    (tmp_path / "box-7.zip").write_bytes(zipped(BOX))
    lines = "".join(pages.blocks(PAGE, "console")).splitlines()
    said = [line.removeprefix("deckwright ").split() for line in lines]
    check, first, second, whole, draw, read, score = said
    assert shop.say(*check).code == 0
    assert shop.say(*first).code == 0
    for cell in pages.table(PAGE, "3. Read them", "in `round-1`").first():
        name = cell.split("`")[0]
        assert (tmp_path / "round-1" / name).is_file(), name
    with tarfile.open(tmp_path / "round-1" / "returned" / "box-7.tar") as archive:
        archive.extractall(tmp_path / "looked-at", filter="data")
    asked = sorted(path.name for path in (tmp_path / "looked-at").glob("*.look*"))
    assert asked == ["card-2.png.look", "card-2.png.look.csv"]
    form = tmp_path / "looked-at" / "card-2.png.look.csv"
    rows = list(csv.DictReader(io.StringIO(form.read_bytes().decode())))
    named = [
        name.strip("`") for name in pages.table(PAGE, "4. Answer what was asked", "cell").first()
    ]
    assert [[row[name] for name in named] for row in rows] == [["", ""]]
    head = list(rows[0])
    with form.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, head)
        writer.writeheader()
        writer.writerows([{**row, "holes": "0", "by": "AB"} for row in rows])
    assert shop.say(*second).code == 0
    assert (tmp_path / "round-2" / "out" / "receipts.csv").read_bytes().endswith(
        b"\r\n1,0000207,0.50\r\n"
    )  # fmt: skip
    assert "column 9 as AB read it: 0" in (tmp_path / "round-2" / "notes.csv").read_text("utf-8")
    reasons = pl.read_csv(tmp_path / "round-2" / "returned" / "reasons.csv", infer_schema=False)
    assert reasons["reason"].to_list() == ["out-of-range"]
    foldered(tmp_path / "box-7", {**BOX, form.name: form.read_bytes()})
    assert shop.say(*whole).code == 0
    assert (tmp_path / "whole" / "out" / "receipts.csv").read_bytes().splitlines()[1:] == [
        b"1,0000412,12.50", b"2,0000207,0.50",
    ]  # fmt: skip
    assert shop.say(*draw).code == 0
    assert shop.say(*read).code == 0
    assert shop.say(*score).code == 0


def reasons() -> set[str]:
    """Return the reasons that the source of the medium gives to cards."""
    found = set(desk.SAID) | {kind.reason for kind in PictureError.__subclasses__()}
    for node in ast.walk(ast.parse(inspect.getsource(desk))):
        if isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if called in {"Odd", "fail"}:
                found.add(node.args[0].value)
    return found | {"unsure", "printed-otherwise", "please-look"}


def test_every_reason_for_pictures_is_explained(pages) -> None:
    assert set(pages.table("codes.md", "Reasons for pictures", "reason").first()) == reasons()


def test_every_column_of_the_reading_report_is_explained(pages) -> None:
    cells = [row[0] for row in pages.table("codes.md", "The reading report", "column").rows]
    named = {name.strip("`") for cell in cells for name in cell.split(", ")}
    assert named == {*ROWS, "deck", "card_in_deck"} - {"unsure_places"}
