"""Pictures of cards are said to be such, and a few are read to see how well they can be."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from deckwright import clean_card, png_of
from deckwright.cards.codes import load_code
from deckwright.examine.deck import examine
from deckwright.examine.guess import pictured
from deckwright.examine.show.page import deck_report
from deckwright.plugin.stages import OptionProblem

image = pytest.importorskip("PIL.Image")
CARDS = 14


@pytest.fixture(scope="module")
def scans(planted) -> list[bytes]:
    """Return pictures of cards at 150 pixels an inch."""
    holes = load_code("ebcdic").to_holes.astype(np.uint16)[planted(CARDS)]
    return [png_of(clean_card(card, "", 150), colours=16) for card in holes]


@pytest.fixture
def archive(tmp_path: Path, scans) -> Path:
    """Return a zip of pictures with a note beside them."""
    path = tmp_path / "box.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for number, data in enumerate(scans, 1):
            packed.writestr(f"scan{number:03}.png", data)
    return path


def test_an_archive_of_pictures_is_read_and_what_it_holds_is_said(archive, planted) -> None:
    found = examine([archive])
    facts = found.pictures
    assert facts.kinds == {"PNG": CARDS}
    assert (found.cards, facts.looked_at, facts.good) == (CARDS, CARDS, CARDS)
    assert facts.turns == {"upright": CARDS}
    assert 145 < facts.ppi[0] <= facts.ppi[1] < 155
    assert (facts.columns, facts.unsure) == (80 * CARDS, 0)
    assert found.reading.options["kind"] == "pictures"
    assert found.drawn[0].text == planted(CARDS)[0].tobytes().decode("ascii")
    page = deck_report(found)
    assert "<h2>Pictures</h2>" in page
    assert f"{CARDS} of {CARDS} pictures looked at can be read without asking a person" in page


def test_only_some_cards_of_many_are_read(archive, monkeypatch) -> None:
    monkeypatch.setattr(pictured, "MOST_READ", 3)
    found = examine([archive])
    assert (found.cards, found.pictures.looked_at, found.data_cards) == (CARDS, 3, 3)
    assert [card.card for card in found.drawn[:2]] == [1, CARDS]
    assert "no other picture was opened" in deck_report(found)


def test_a_folder_and_a_file_of_many_pages_are_decks_of_pictures(tmp_path, scans) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    for number, data in enumerate(scans[:3], 1):
        (folder / f"{number}.png").write_bytes(data)
    pages = [image.open(io.BytesIO(data)).convert("L") for data in scans[:3]]
    pages[0].save(tmp_path / "box.tif", save_all=True, append_images=pages[1:])
    for deck, kinds in ((folder, {"PNG": 3}), (tmp_path / "box.tif", {"TIFF": 1})):
        found = examine([deck])
        assert (found.cards, found.pictures.kinds, found.pictures.good) == (3, kinds, 3)


def test_several_cards_on_a_picture_are_told(tmp_path, scans) -> None:
    cards = [np.asarray(image.open(io.BytesIO(data)).convert("L")) for data in scans[:2]]
    page = np.full((2 * cards[0].shape[0] + 150, cards[0].shape[1] + 100), 20, np.uint8)
    for number, card in enumerate(cards):
        top = 50 + number * (card.shape[0] + 50)
        page[top : top + card.shape[0], 50 : 50 + card.shape[1]] = card
    image.fromarray(page).save(tmp_path / "page.png")
    found = examine([tmp_path / "page.png"])
    assert found.reading.options["cards_a_picture"] == "auto"
    assert found.cards == 2


@pytest.mark.slow
def test_the_proposed_job_reads_the_pictures(archive, shop, tmp_path) -> None:
    said = shop.say("examine", archive, "--brief", "--propose", tmp_path / "p", "--code", "ebcdic")
    assert said.code == 0, said.err
    assert f"Pictures ({CARDS} PNG): {CARDS} cards" in said.out
    job = tmp_path / "p" / "box.toml"
    text = job.read_text("utf-8")
    assert "say which corner is cut" in " ".join(text.replace("\n#", "").split())
    for name, cut, read in (("asked", "", 0), ("told", ', cut = "upper-left"', CARDS)):
        job.write_text(text.replace('kind = "pictures"', f'kind = "pictures"{cut}'), "utf-8")
        run = shop.say("run", job, archive, "--out", tmp_path / name)
        assert run.code == 0, run.err
        assert f"= {read} out" in run.out


def test_pictures_that_nothing_installed_can_read_are_named_all_the_same(
    archive, shop, monkeypatch
) -> None:
    def missing(*_: object) -> None:
        what = "pictures need the package Pillow; install deckwright[pictures]"
        raise OptionProblem(what)

    monkeypatch.setattr("deckwright.examine.deck.look_at_pictures", missing)
    said = shop.say("examine", archive)
    assert said.code == 0
    assert f"holds pictures ({CARDS} PNG)" in said.out
    assert "install deckwright[pictures]" in " ".join(said.out.split())


def test_a_folder_of_other_files_is_no_deck(tmp_path, shop) -> None:
    (tmp_path / "a.txt").write_text("1\n")
    (tmp_path / "b.txt").write_text("2\n")
    (tmp_path / "c.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    assert "is a folder" in shop.say("examine", tmp_path).err
