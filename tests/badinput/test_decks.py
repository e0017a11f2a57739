"""Decks that cannot be read, or not as the job says: what is said, and what goes on."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

BLOCKS = {"kind": "blocks", "code": "cp037"}


def reasons(run: Path) -> list[dict[str, str]]:
    with (run / "returned" / "reasons.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def attempt(tmp_path, shop):
    """Return a runner: medium, deck bytes, options of validate -> what the command said.

    A run that stops must leave the deck as it was and nothing else beside it but the page that its
    message names.
    """

    def run(medium, data, layout=None, **options):
        stages = shop.chain()
        stages[0] = {"kind": "decode", "medium": medium}
        stages[1] = {"kind": "validate", "layout": "receipts", **options}
        job = shop.job(tmp_path, stages, {"receipts": layout or shop.receipts})
        deck = shop.deck(tmp_path / "deck", data)
        before = sorted(path.name for path in tmp_path.iterdir())
        said = shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)
        assert "Traceback" not in said.err
        assert deck.read_bytes() == (data if isinstance(data, bytes) else shop.lines(data))
        if said.code:
            page = tmp_path / "run-failed.html"
            left = {path.name for path in tmp_path.iterdir()} - set(before)
            assert left == ({page.name} if f"{page} shows" in said.err else set())
            told = [line for line in said.err.splitlines() if line.startswith("deckwright: ")]
            assert len(told) == 1
            assert not told[0].endswith(".")
        return said

    return run


@pytest.mark.parametrize(("size", "card"), [(79, 1), (80 * 3 + 1, 4), (80 * 5 - 1, 5)])
def test_a_deck_that_ends_inside_a_card_is_named_with_the_card(size, card, attempt) -> None:
    said = attempt(BLOCKS, b"\xf0" * size)
    assert said.code == 4
    assert f"ends inside card {card}, after {size % 80} of the 80 bytes of a record" in said.err


def test_a_hole_deck_that_ends_inside_a_card_is_named_with_the_card(attempt) -> None:
    said = attempt({"kind": "column-binary"}, bytes(160 * 2 + 80))
    assert said.code == 4
    assert "ends inside card 3" in said.err


@pytest.mark.parametrize("medium", [{"kind": "text"}, BLOCKS, {"kind": "column-binary"}])
def test_an_empty_deck_is_named(medium, attempt) -> None:
    said = attempt(medium, b"")
    assert said.code == 4
    assert "holds no cards" in said.err


def test_a_text_deck_of_a_byte_order_mark_alone_holds_no_cards(attempt) -> None:
    said = attempt({"kind": "text"}, b"\xef\xbb\xbf")
    assert said.code == 4
    assert "holds no cards" in said.err


def test_a_deck_in_two_byte_characters_is_named(attempt) -> None:
    said = attempt({"kind": "text"}, "0000100100{\n".encode("utf-16"))
    assert said.code == 4
    assert "is in UTF-16" in said.err


def test_blocks_read_as_lines_are_named_with_the_other_medium(attempt) -> None:
    said = attempt({"kind": "text"}, b"\xf0" * 80_000)
    assert said.code == 4
    assert "'blocks'" in said.err


def test_a_deck_that_is_not_there_is_named(tmp_path, shop) -> None:
    job = shop.job(tmp_path, shop.chain())
    said = shop.say("run", job, tmp_path / "none.txt", "--out", tmp_path / "run")
    assert said.code == 4
    assert f"deck '{tmp_path / 'none.txt'}' does not exist" in said.err
    said = shop.say("run", job, tmp_path, "--out", tmp_path / "run")
    assert said.code == 4
    assert "is a folder, which the medium 'text' does not read" in said.err
    assert not (tmp_path / "run").exists()


CARDS = [f"{item:05}{item * 3:05}{'{A}J'[item % 4]}some note" for item in range(40)]


def test_a_wrong_code_page_stops_at_the_limit_and_names_the_better_one(attempt) -> None:
    data = "".join(f"{card:<80}" for card in CARDS).encode("ascii")
    said = attempt(BLOCKS, data)
    assert said.code == 4
    assert (
        "stage 2 (validate): 40 of 40 cards failed, more than most_returned allows (50 %)"
        in said.err
    )
    assert "code 'ascii'" in said.err
    assert "would fail none of " in said.err
    assert "where this reading fails 100 %" in said.err


def test_an_ebcdic_deck_read_as_ascii_names_the_ebcdic_page(attempt) -> None:
    data = "".join(f"{card:<80}" for card in CARDS).encode("cp037")
    said = attempt({"kind": "blocks", "code": "ascii"}, data)
    assert said.code == 4
    assert "code 'cp037' would fail none of " in said.err


SHIFTED = """
[[field]]
name = "item"
columns = "4-8"
kind = "digits"
blank = "error"
[[field]]
name = "amount"
columns = "9-14"
kind = "decimal"
sign = "overpunch-right"
"""


@pytest.mark.parametrize(
    ("shift", "said_how"),
    [
        (1, "a layout shifted 1 column to the right"),
        (2, "a layout shifted 2 columns to the right"),
        (-1, "a layout shifted 1 column to the left"),
        (-3, "a layout shifted 3 columns to the left"),
    ],
)
def test_a_layout_off_by_columns_is_named_with_the_shift(shift, said_how, attempt) -> None:
    said = attempt({"kind": "text"}, [" " * (3 + shift) + card for card in CARDS], SHIFTED)
    assert said.code == 4
    assert f"{said_how} would fail none of " in said.err
    assert "columns " in said.err


def test_a_deck_that_fits_no_other_reading_says_so(attempt) -> None:
    said = attempt({"kind": "text"}, ["no number stands here"] * 30)
    assert said.code == 4
    assert "no other code page and no shift of columns fits better" in said.err
    assert "field 'item'" in said.err


LAYOUT = """
[[field]]
name = "item"
columns = "1-5"
kind = "digits"
blank = "error"
[[field]]
name = "day"
columns = "6-13"
kind = "date"
form = "YYYYMMDD"
[[field]]
name = "count"
columns = "14-17"
kind = "whole"
high = 500
"""
FAULTS = {
    "letter": ("000A1195701010001", [("item", "not-a-digit", 4)]),
    "no-such-day": ("00001195702300001", [("day", "no-such-date", None)]),
    "leap-day-of-a-common-year": ("00001190002290001", [("day", "no-such-date", None)]),
    "beyond-the-range": ("00001195701010501", [("count", "out-of-range", None)]),
    "blank-key": ("     195701010001", [("item", "blank", None)]),
    "two-faults": ("0000119571301000Q", [("count", None, None), ("day", "no-such-date", None)]),
    "three-faults": ("     195700000999", [
        ("count", "out-of-range", None), ("day", "no-such-date", None), ("item", "blank", None),
    ]),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_faulty_card_comes_back_with_all_its_reasons_and_the_rest_goes_on(
    name, attempt, tmp_path
) -> None:
    card, expected = FAULTS[name]
    good = "00001195701010001"
    said = attempt({"kind": "text"}, [good, good, card, good], LAYOUT)
    assert said.code == 0, said.err
    found = reasons(tmp_path / "run")
    assert {row["card"] for row in found} == {"3"}
    assert [row["field"] for row in found] == [field for field, _, _ in expected]
    for row, (_, reason, column) in zip(found, expected, strict=True):
        assert reason is None or row["reason"] == reason
        assert column is None or row["column"] == str(column)
        assert row["detail"]
        first, last = int(row["first"]), int(row["last"])
        assert row["found"] == card[first - 1 : last]
    assert (tmp_path / "run" / "returned" / "deck").read_bytes() == f"{card:<80}\n".encode()
    delivered = (tmp_path / "run" / "out" / "cards.csv").read_text("utf-8").splitlines()[1:]
    assert [line.partition(",")[0] for line in delivered] == ["1", "2", "4"]


def test_an_illegal_pattern_comes_back_by_column_and_the_rest_goes_on(attempt, tmp_path) -> None:
    # rows 1, 2 and 3 together are no character of the 8-bit card code
    def card(columns: dict[int, int]) -> bytes:
        return b"".join(
            bytes([columns.get(c, 0) >> 6, columns.get(c, 0) & 0x3F]) for c in range(1, 81)
        )

    digits = dict.fromkeys(range(1, 6), 0x200)
    good = card({**digits, 6: 0x200, 7: 0x200, 8: 0x200, 9: 0x200, 10: 0x200, 11: 0x200})
    bad = card({**digits, 3: 0x1C0})
    said = attempt({"kind": "column-binary"}, good + bad + good)
    assert said.code == 0, said.err
    row = reasons(tmp_path / "run")[0]
    assert (row["card"], row["field"], row["reason"], row["column"]) == (
        "2", "item", "illegal-pattern", "3",
    )  # fmt: skip
    assert (tmp_path / "run" / "returned" / "deck").read_bytes() == bad
    assert (tmp_path / "run" / "out" / "cards.txt").read_bytes() == good + good


def test_odd_lines_come_back_each_with_its_reason(attempt, tmp_path) -> None:
    lines = [b"0000100100{", b"0000\t00100{", b"00002\x0000100{", b"0" * 81, b"0000300100{"]
    said = attempt({"kind": "text"}, b"\n".join(lines), most_returned="100 %")
    assert said.code == 0, said.err
    found = {row["card"]: row["reason"] for row in reasons(tmp_path / "run")}
    assert found == {"2": "tab", "3": "control-character", "4": "long-line"}
    back = (tmp_path / "run" / "returned" / "deck").read_bytes()
    assert back == b"".join(line + b"\n" for line in lines[1:4])
    notes = (tmp_path / "run" / "notes.csv").read_text("utf-8")
    assert "no-line-end" in notes


def test_a_deck_changed_while_it_is_read_stops_the_run(tmp_path, shop) -> None:
    plugin = tmp_path / "touch.py"
    deck = shop.deck(tmp_path / "deck.txt", CARDS)
    plugin.write_text(
        "from pathlib import Path\n"
        "from deckwright import StageConfig, TrayStage, hookimpl\n\n"
        "class TouchConfig(StageConfig):\n    path: str\n\n"
        "class TouchStage(TrayStage[TouchConfig]):\n"
        "    kind = 'touch'\n\n"
        "    def run(self, tray, book):\n"
        "        with Path(self.config.path).open('ab') as deck:\n"
        "            deck.write(b'00099')\n"
        "        return tray\n\n"
        "@hookimpl\ndef deckwright_stages():\n    return [TouchStage]\n",
        encoding="utf-8",
    )
    stages = shop.chain({"kind": "touch", "path": str(deck)})
    job = shop.job(tmp_path, stages, plugins=["touch.py"])
    said = shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)
    assert said.code == 4
    assert "was changed while it was read" in said.err
    assert not (tmp_path / "run").exists()


def test_a_deck_of_longer_records_is_pointed_to_the_record_length(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    deck = shop.deck(tmp_path / "long.txt", b"".join(b"%0105d\n" % n for n in range(40)))
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    assert "most often, 40 times: the line is longer than 80 columns (long-line)" in said.err
    assert "look at the options of the medium, such as record_length" in said.err
    assert not (tmp_path / "run").exists()
