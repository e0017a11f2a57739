"""A delivered deck has records of the length that its medium says, whatever came in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sets import DEAR

KINDS = {
    "blocks": {"kind": "blocks", "code": "cp037"},
    "column-binary": {"kind": "column-binary", "code": "ebcdic"},
    "transcript": {"kind": "transcript", "code": "ebcdic", "between": "count"},
    "records": {"kind": "records", "code": "cp037", "form": "fixed-blocked"},
}


def medium_of(kind, wrapped, goes):
    inside = {**KINDS[kind], **goes}
    if kind == "records":
        inside["block_length"] = inside["record_length"]
    return {"kind": "wrapped", "inside": inside, "wrapped": wrapped} if wrapped else inside


def job_of(shop, folder, kind, wrapped, came, goes, **more):
    emit = {"file": "d.out", "form": "deck", "medium": medium_of(kind, wrapped, goes)}
    back = {"kind": "decode", "medium": medium_of(kind, wrapped, goes)}
    text = {"kind": "emit", "output": [{"file": "d.txt", "form": "deck", "medium": {
        "kind": "text", "record_length": "longest"}}]}  # fmt: skip
    decode = {"kind": "decode", "medium": {"kind": "text", "record_length": came}}
    there = shop.job(folder, [decode, {"kind": "emit", "output": [emit]}], name="there", **more)
    return there, shop.job(folder, [back, text], name="back")


@DEAR
@given(
    st.sampled_from(sorted(KINDS)),
    st.sampled_from(["", "gzip"]),
    st.integers(1, 90),
    st.integers(0, 30),
    st.lists(st.text("AZ059 -", max_size=90), min_size=1, max_size=9),
)
def test_narrower_cards_are_filled_with_blank_columns(
    shop, room, kind, wrapped, came, more, texts
) -> None:
    folder = room()
    cards = [f"A{text}"[:came].rstrip() for text in texts]  # blank cards are left out
    deck = shop.deck(folder / "d.in", "".join(f"{card:<{came}}\n" for card in cards).encode())
    there, back = job_of(shop, folder, kind, wrapped, came, {"record_length": came + more})
    made = shop.run(there, deck, out=folder / "there").folder / "out" / "d.out"
    again = shop.run(back, made, out=folder / "again").folder / "out" / "d.txt"
    lines = again.read_text("latin-1").splitlines()
    assert [line.rstrip() for line in lines] == cards
    assert {len(line) for line in lines} == {came + more}


@pytest.mark.parametrize("wrapped", ["", "gzip"])
@pytest.mark.parametrize("kind", KINDS)
def test_wider_cards_are_refused_before_the_run(shop, tmp_path, kind, wrapped) -> None:
    there, _ = job_of(shop, tmp_path, kind, wrapped, 80, {"record_length": 40})
    said = shop.say("check", there)
    assert said.code == 2
    assert "cards have 80 columns here, the records of this medium 40; say record_length = 80" in (
        said.err
    )


def test_columns_that_a_narrower_card_has_no_more_are_told_in_words(shop, tmp_path) -> None:
    layout = '[[field]]\nname = "key"\ncolumns = "1-4"\nkind = "digits"\n'
    (tmp_path / "new.toml").write_text(f"record_length = 10\n{layout}", encoding="utf-8")
    wide = layout + '[[field]]\nname = "rest"\ncolumns = "60-70"\nkind = "text"\n'
    stages = [
        {"kind": "decode", "medium": {"kind": "text"}},
        {"kind": "validate", "layout": "old"},
        {"kind": "reproduce", "layout": "new"},
        {"kind": "emit", "output": [{"file": "d.csv", "form": "csv"}]},
    ]
    job = shop.job(tmp_path, stages, {"old": wide})
    deck = shop.deck(tmp_path / "d.txt", [f"{'0007':<59}something"])
    assert shop.say("run", job, deck, "--out", tmp_path / "run").code == 0
    said = shop.say("trace", tmp_path / "run", 1).out
    assert "-> '      '" in said  # columns 5 to 10; there are no more
    assert "\\x00" not in said
    log = shop.say("log", tmp_path / "run").out
    assert "begins: d.txt (1 card)" in log
    assert "sha256" not in log
