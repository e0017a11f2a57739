"""The limit of returned cards: when it stops a run, and what the message says."""

from __future__ import annotations

import errno
from html import unescape

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.errors import TooManyReturnedError
from sets import DEAR
from strategies import SIZES

GOOD, BAD, BLANK = "0000100100{", "0000A00100{", ""


@given(
    st.lists(st.sampled_from([GOOD, BAD, BLANK]), min_size=1, max_size=45),
    st.one_of(st.integers(0, 12), st.integers(0, 100).map(lambda share: f"{share} %")),
    SIZES,
)
@DEAR
def test_the_limit_of_returned_cards_is_kept_however_the_deck_is_cut(
    shop, room, cards, limit, sizes
) -> None:
    folder = room()
    stages = shop.chain()
    stages[1] = {**stages[1], "most_returned": limit}
    job = shop.job(folder, stages)
    deck = shop.deck(folder / "deck.txt", cards)
    bad, data = cards.count(BAD), len(cards) - cards.count(BLANK)
    most = limit if isinstance(limit, int) else most_of(data, int(limit.split()[0]))
    if bad > most:
        with pytest.raises(TooManyReturnedError, match=r"in field 'item' .*\(not-a-digit\)"):
            shop.run(job, deck, sizes=sizes)
        assert not (folder / "run").exists()
        assert not list(folder.glob(".*"))
    else:
        assert shop.run(job, deck, sizes=sizes).returned == bad


def most_of(cards: int, share: int) -> int:
    """A share; below 20 cards, and above 0 %, all but one, so that a few repairs may fail again."""
    most = cards * share // 100
    return max(most, cards - 1, 1) if cards < 20 and share else most


def test_the_message_names_the_reason_though_the_first_cards_are_good(shop, tmp_path) -> None:
    job = shop.job(tmp_path, [*shop.chain()[:1], {"kind": "validate", "layout": "receipts"},
                              *shop.chain()[2:]])  # fmt: skip
    good = shop.deck(tmp_path / "good.txt", [shop.receipt(1)] * 9)
    bad = shop.deck(tmp_path / "bad.txt", ["0000A00100{"] * 12)
    said = shop.say("run", job, good, bad, "--out", tmp_path / "run", "--workers", 1)
    assert said.code == 4
    failed = "stage 2 (validate): 12 of 21 cards failed, more than most_returned allows (50 %)"
    assert failed in said.err
    why = "in field 'item' (columns 1-5), 12 times: must be digits only (not-a-digit)"
    assert why in said.err


def test_a_deck_of_which_every_data_card_failed_is_not_done(shop, tmp_path) -> None:
    job = shop.job(tmp_path, [*shop.chain()[:1], {"kind": "validate", "layout": "receipts"},
                              *shop.chain()[2:]])  # fmt: skip
    deck = shop.deck(tmp_path / "deck.txt", [BLANK, BAD, BLANK, BAD, BAD, BLANK])
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    failed = "stage 2 (validate): 3 of 3 cards failed, more than most_returned allows"
    assert f"{failed} (50 %, and of fewer than 20 cards all but one)" in said.err
    assert not (tmp_path / "run").exists()


def test_every_card_failing_in_one_stage_or_another_stops_the_run(shop, tmp_path) -> None:
    stages = [*shop.chain()[:1], {"kind": "validate", "layout": "receipts"}, *shop.chain()[2:]]
    deck = tmp_path / "deck.txt"
    deck.write_bytes(b"".join(line + b"\n" for line in [b"0000A00100{", b"x" * 81] * 3))
    said = shop.say("run", shop.job(tmp_path, stages), deck, "--out", tmp_path / "run")
    assert said.code == 4
    assert "stage 1 (decode) and stage 2 (validate) together: 6 of 6 cards failed" in said.err
    stages[1] = {**stages[1], "most_returned": "100 %"}
    assert shop.run(shop.job(tmp_path, stages), deck).returned == 6


def test_one_bad_card_between_blank_ones_comes_back(shop, tmp_path) -> None:
    job = shop.job(tmp_path, [*shop.chain()[:1], {"kind": "validate", "layout": "receipts"},
                              *shop.chain()[2:]])  # fmt: skip
    deck = shop.deck(tmp_path / "deck.txt", [BLANK, BAD, BLANK])
    assert shop.run(job, deck).returned == 1


def limited(shop):
    """Return a chain that bears half of its cards failing."""
    return [*shop.chain()[:1], {"kind": "validate", "layout": "receipts"}, *shop.chain()[2:]]


def test_a_stopped_run_leaves_a_page_beside_its_place_and_says_where(shop, tmp_path) -> None:
    job = shop.job(tmp_path, limited(shop))
    deck = shop.deck(tmp_path / "cards.txt", ["00001000150"] * 3 + ["000X2000250"] * 40)
    out = tmp_path / "run"
    said = shop.say("run", job, deck, "--out", out)
    assert said.code == 4
    assert not out.exists()
    page = tmp_path / "run-failed.html"
    assert f"nothing was delivered; {page} shows the first failed cards" in said.err
    shown = page.read_text(encoding="utf-8")
    assert 'most_returned = "100 %"' in unescape(shown)
    assert shown.count("<figure><figcaption>Card ") == 12
    assert "<figcaption>Card 4</figcaption>" in shown
    assert "not-a-digit" in shown


def test_a_page_of_another_stopped_run_is_never_replaced(shop, tmp_path) -> None:
    job = shop.job(tmp_path, limited(shop))
    deck = shop.deck(tmp_path / "cards.txt", ["000X2000250"] * 40)
    page, second = tmp_path / "run-failed.html", tmp_path / "run-failed-2.html"
    page.write_text("somebody's own")
    for _ in range(2):
        assert shop.say("run", job, deck, "--out", tmp_path / "run").code == 4
    assert page.read_text() == "somebody's own"
    assert second.is_file()
    assert sorted(path.name for path in tmp_path.glob("*.html")) == [second.name, page.name]


def test_a_run_is_stopped_the_same_where_the_page_cannot_be_written(
    shop, tmp_path, monkeypatch
) -> None:
    def full(*_):
        raise OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr("deckwright.engine.closing.failedpage._written", full)
    job = shop.job(tmp_path, limited(shop))
    deck = shop.deck(tmp_path / "cards.txt", ["000X2000250"] * 40)
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    assert said.err.rstrip().endswith("nothing was delivered")
