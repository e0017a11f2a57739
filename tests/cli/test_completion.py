"""What the Tab key offers: topics, kinds, codes, conditions, jobs, reasons, fields."""

from __future__ import annotations

import pytest


def offered(shop, folder, typed: str) -> list[str]:
    words = ["deckwright", *typed.split(" ")]
    said = shop.call(
        env={
            "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1),
            "_DECKWRIGHT_COMPLETE": "bash_complete",
        },
        cwd=folder,
        name="deckwright",
    )  # fmt: skip
    assert said.err == ""
    return [line.partition(",")[2] for line in said.out.splitlines() if line]


@pytest.fixture(scope="module")
def place(tmp_path_factory, shop):
    """Return a folder with a workspace, in which one deck came back, and a run folder."""
    folder = tmp_path_factory.mktemp("completion")
    depot = folder / "depot"
    assert shop.say("init", depot, "--example").code == 0
    shop.deck(depot / "inbox" / "first" / "odd.txt", "ß\n".encode("utf-16"))
    assert shop.say("watch", depot, "--once").code == 0
    deck = shop.deck(folder / "deck.txt", [shop.receipt(1), shop.receipt("0000Y")])
    shop.run(shop.job(folder, shop.chain()), deck, out=folder / "run")
    return folder


@pytest.mark.parametrize(("typed", "first"), [
    ("gui", "guide"), ("guide lay", "layout"), ("stages rep", "reproduce"),
    ("stages json", "json-lines"),
    ("simulate --condition upside", "upside-down"), ("examine x --code cp03", "cp037"),
    ("hold depot fi", "first"),
    ("run --out", "--out"),
    ("journal run --reason ", "not-a-digit"), ("journal run --field it", "item"),
    ("status depot --job fi", "first"), ("log depot --job fi", "first"),
    ("requeue depot --job fi", "first"), ("requeue depot --code de", "deck-unreadable"),
])  # fmt: skip
def test_the_tab_key_completes(typed, first, place, shop):
    assert first in offered(shop, place, typed)


@pytest.mark.parametrize("typed", ["journal nowhere --reason ", "journal --reason ",
                                   "requeue nowhere --code ", "status --job "])  # fmt: skip
def test_where_nothing_is_known_nothing_is_offered_or_said(typed, place, shop):
    assert offered(shop, place, typed) == []
