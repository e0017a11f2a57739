"""Every page in a real browser: usable by everybody, on a telephone, on a dark screen."""

from __future__ import annotations

import numpy as np
import pytest

from deckwright.demo.files import write_demo
from deckwright.examine.deck import examine
from deckwright.examine.show.page import deck_report
from pages.browser import looked_at, missing
from picture_help import named_cards, zipped
from service.house import card, cards_of, deck, house

pytestmark = pytest.mark.skipif(bool(missing()), reason=f"no page is looked at: {missing()}")
GOOD, BAD, WORSE = "00001000150", "0000Y000150", "0000100Z5Q0"


def text(path) -> str:
    return path.read_text(encoding="utf-8")


NAMES = (
    "control sheet, small", "control sheet, 83 % returned", "control sheet, several decks",
    "control sheet, pictures", "returned cards, 5,000", "returned cards, several decks",
    "reading report", "deck report", "stopped run", "workspace, new", "workspace, long names",
)  # fmt: skip


@pytest.fixture(scope="module")
def pages(tmp_path_factory, shop) -> dict[str, str]:
    """Return every kind of page: small and large, of several decks, of pictures."""
    folder = tmp_path_factory.mktemp("pages")
    job = shop.job(folder, shop.chain(), title="Receipts & bolts")
    made = {}
    small = shop.run(job, shop.deck(folder / "small.txt", [GOOD] * 3), out=folder / "small").folder
    made["control sheet, small"] = text(small / "control.html")
    cards = [*[GOOD] * 1_000, *[BAD] * 3_000, *[WORSE] * 2_000, *[""] * 12]
    many = shop.run(job, shop.deck(folder / "many.txt", cards), out=folder / "many").folder
    made["control sheet, 83 % returned"] = text(many / "control.html")
    made["returned cards, 5,000"] = text(many / "returned.html")
    decks = [
        shop.deck(folder / f"deck {n} with a rather long name of its own.txt", [GOOD, BAD] * 40)
        for n in range(7)
    ]
    several = shop.run(job, *decks, out=folder / "several").folder
    made["control sheet, several decks"] = text(several / "control.html")
    made["returned cards, several decks"] = text(several / "returned.html")
    chain = shop.chain()
    chain[0] = {
        "kind": "decode",
        "medium": {"kind": "pictures", "cut": "upper-left"},
        "most_returned": "100 %",
    }
    box = folder / "box.zip"
    box.write_bytes(zipped({**named_cards([GOOD, BAD, GOOD]), "zz.png": b"no picture"}))
    of_pictures = shop.run(shop.job(folder, chain, name="pictures"), box, out=folder / "p").folder
    made["control sheet, pictures"] = text(of_pictures / "control.html")
    made["reading report"] = text(of_pictures / "out" / "reading.html")
    made["deck report"] = deck_report(examine([write_demo(folder / "demo").decks[0]]))
    limited = shop.chain()
    limited[1] = {"kind": "validate", "layout": "receipts"}
    stopped = shop.job(folder, limited, name="limited")
    bad = shop.deck(folder / "bad.txt", [GOOD, *[BAD] * 30])
    assert shop.say("run", stopped, bad, "--out", folder / "bad").code == 4
    made["stopped run"] = text(folder / "bad-failed.html")
    made["workspace, new"], made["workspace, long names"] = workspace_pages()
    return made


def workspace_pages() -> tuple[str, str]:
    """Return the page of a new workspace, and of one with a deck of every state."""
    with house(workers=1) as made:
        page = made.root / "index.html"
        made.gated("slow")
        with made.serving():
            made.wait(page.is_file, "the first page")
            new = text(page)
            longest = (
                "movements of the northern and the southern depot, second half of the year, copy"
            )
            back = "ß\n".encode("utf-16")
            made.done(made.drop("week-23.txt", deck(card(1), "XX")))
            made.done(made.drop(f"{longest}.txt", cards_of(7)))
            made.done(made.drop(f"{'unbroken' * 25}.txt", cards_of(8)))
            made.end_of(made.drop("<b>&\x1bback.txt", back))
            made.end_of(made.drop(f"{longest}, unreadable.txt", back * 2))
            runs = [
                made.drop(f"{number}. {longest}.txt", cards_of(number), "slow")
                for number in range(3)
            ]
            for run in runs:
                made.told("deck_taken", run=run)
            made.at_gate("slow")
            made.say("hold", made.root, runs[-1])
            made.say("hold", made.root, "cards")
            made.wait(lambda: ">held</td>" in text(page), "the held deck on the page")
            full = text(page)
            made.open_gate("slow")
        return new, full


@pytest.mark.slow
@pytest.mark.parametrize(("width", "dark"), [(1280, False), (390, True)], ids=["wide", "telephone"])
def test_axe_finds_nothing_and_nothing_is_cut_off(pages, width, dark) -> None:
    for name, found in zip(
        NAMES, looked_at([pages[name] for name in NAMES], width, dark=dark), strict=True
    ):
        assert found["violations"] == [], name
        assert found["passes"] > 10, name
        assert found["dark"] is dark, name
        assert found["width"] == width, name
        assert found["wide"] <= width, name
        assert found["rows"] <= (1 if width > 1_000 else 2), f"{name}: the equation breaks"


@pytest.mark.slow
def test_no_page_is_of_unbearable_size(pages) -> None:
    assert set(pages) == set(NAMES)
    sizes = {name: len(page.encode()) for name, page in pages.items()}
    assert max(sizes.values()) < 1_000_000, sizes
    assert np.median(list(sizes.values())) < 200_000
