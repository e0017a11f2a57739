"""What the Tab key offers: topics, kinds, codes, conditions, jobs, reasons, fields."""

from __future__ import annotations

import sys

import pytest

from deckwright.cli.main import main


def keys(typed: str) -> dict[str, str]:
    """Return the surroundings that a shell gives where the Tab key is pressed."""
    words = ["deckwright", *typed.split(" ")]
    return {
        "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1),
        "_DECKWRIGHT_COMPLETE": "bash_complete",
    }  # fmt: skip


def words_of(said) -> list[str]:
    assert said.err == ""
    return [line.partition(",")[2] for line in said.out.splitlines() if line]


@pytest.fixture
def offered(place, monkeypatch, capsys):
    """Return a teller of what is offered in the folder, asked in this process."""

    def tell(typed: str) -> list[str]:
        monkeypatch.chdir(place)
        for name, value in keys(typed).items():
            monkeypatch.setenv(name, value)
        monkeypatch.setattr(sys, "argv", ["deckwright"])
        # else the command goes by the name of what runs the tests
        monkeypatch.setattr(sys.modules["__main__"], "__package__", None)
        with pytest.raises(SystemExit, match=r"^0$"):
            main()
        return words_of(capsys.readouterr())

    return tell


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
def test_the_tab_key_completes(typed, first, offered):
    assert first in offered(typed)


def test_a_process_of_its_own_completes_as_well(place, shop):
    said = shop.call(env=keys("guide lay"), cwd=place, name="deckwright")
    assert words_of(said) == ["layout"]


@pytest.mark.parametrize("typed", ["journal nowhere --reason ", "journal --reason ",
                                   "requeue nowhere --code ", "status --job "])  # fmt: skip
def test_where_nothing_is_known_nothing_is_offered_or_said(typed, offered):
    assert offered(typed) == []
