"""A card that could not be read shows the picture that it was read from, and no empty card."""

from __future__ import annotations

import csv

from deckwright.report.drawing.cardview import card_view
from deckwright.report.model import CardLine
from drawing_help import BLANK, png
from picture_help import card, named_cards, saved, zipped


def test_a_card_that_is_not_read_as_a_whole_is_shown_by_its_picture(shop, tmp_path) -> None:
    chain = [
        {"kind": "decode", "medium": {"kind": "pictures", "cut": "upper-left"},
         "most_returned": "100 %"},
        {"kind": "emit", "output": [{"file": "o.txt", "form": "deck"}]},
    ]  # fmt: skip
    box = tmp_path / "box.zip"
    good = named_cards(["PLAIN 1", "PLAIN 2"])
    image = card("PLAIN 3").copy()
    image[-image.shape[0] // 3 :, image.shape[1] // 3 : -image.shape[1] // 3] = image[0, 0]
    torn = {"zz.png": saved(image)}
    box.write_bytes(zipped({**good, **torn}))
    run = shop.run(shop.job(tmp_path, chain), box)
    assert run.returned == 1
    for name in ("returned.html", "control.html"):
        page = (run.folder / name).read_text(encoding="utf-8")
        assert page.count("as it was photographed") == 1, name
        assert page.count("url(#hatch)") == 0
        assert "zz.png" in page, "the picture is named"
    links = {
        "control.html": ('href="./out/reading.html"', 'href="./returned.html"', "NAME.look.csv"),
        "returned.html": ('href="./out/reading.html"', 'href="./control.html"', "NAME.look.csv"),
        "out/reading.html": ('"../control.html"', '"../returned.html"', "NAME.look.csv", "zz.png"),
    }
    for name, wanted in links.items():
        page = (run.folder / name).read_text(encoding="utf-8")
        assert [one for one in wanted if one not in page] == [], name
    with (run.folder / "returned" / "reasons.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows
    assert {row["original"] for row in rows} == {"zz.png"}


def test_a_picture_stands_in_place_of_a_card_without_holes() -> None:
    view = card_view(CardLine(3, BLANK, "", [(0, 0, "torn")], picture=png()), "card1")
    assert view.picture.startswith("data:image/png;base64,")
    assert not view.drawing
    assert card_view(CardLine(3, BLANK, ""), "card1").drawing
