"""Returned and set-aside cards, written window by window."""

from __future__ import annotations

import pytest

from deckwright.engine.closing import returning
from deckwright.engine.planning.limits import Sizes


@pytest.mark.parametrize("rows", [1, 2, 7])
def test_narrow_windows_write_the_same_as_one_wide_window(
    shop, tmp_path, monkeypatch, rows
) -> None:
    (tmp_path / "depots.csv").write_text("item,name\n00001,Northgate\n00003,Easton\n")
    chain = shop.chain()
    chain[2:2] = [
        {"kind": "sort", "keys": [{"field": "item", "order": "descending"}]},
        {"kind": "merge", "master": "depots", "match": {"item": "item"}, "take": {"name": "name"}},
    ]
    job = shop.job(tmp_path, chain, files={"depots": "depots.csv"})
    cards = [shop.receipt(item) for item in (2, 1, 3, 4, 1, 2)]
    first = shop.deck(tmp_path / "d.txt", [*cards, "", "0000A00100{", *cards, "0000A0010A{"])
    (tmp_path / "more").mkdir()
    second = shop.deck(tmp_path / "more" / "d.txt", ["", *cards, "0000B00100{", ""])
    sizes = Sizes(5, 3)
    whole = shop.run(job, first, second, out=tmp_path / "whole", sizes=sizes).folder
    monkeypatch.setattr(returning, "ROWS_A_WINDOW", rows)
    cut = shop.run(job, first, second, out=tmp_path / "cut", sizes=sizes).folder
    assert shop.sums(cut) == shop.sums(whole)
    reasons = (whole / "returned" / "reasons.csv").read_text().splitlines()
    assert len(reasons) == 1 + 4 + 9  # headings, four letters in numbers, nine without master
    assert (whole / "returned" / "d.txt").read_bytes().count(b"\n") == 8
    assert (whole / "returned" / "2-d.txt").read_bytes().count(b"\n") == 4
