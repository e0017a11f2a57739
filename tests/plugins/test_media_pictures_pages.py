"""Several cards on one picture, and folders of pictures: each card found, in order, once."""

from __future__ import annotations

import io
import shutil
import subprocess
import tarfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydantic import ValidationError

from deckwright import Box, UnreadableDeckError, cards_on_page, read_card
from deckwright.engine.passes.deckfile import fingerprint
from deckwright.engine.run import run_job
from media_help import read, same_however_cut
from picture_help import (
    card,
    foldered,
    half_punched,
    named_cards,
    odd_of,
    pictures,
    read_deck,
    said_of,
    saved,
    texts_of,
    zipped,
)

TEXTS = [f"{number:05d} ORRIN" for number in range(1, 7)]


def page(rows: list[list[np.ndarray]], gap: int = 4) -> np.ndarray:
    """Return one picture with pictures of cards side by side."""
    lines = [np.hstack([np.pad(one, gap, constant_values=24) for one in row]) for row in rows]
    return np.pad(np.vstack(lines), 20, constant_values=24)


def six() -> np.ndarray:
    cards = [card(text) for text in TEXTS]
    return page([cards[:2], cards[2:4], cards[4:]])


def test_cards_on_a_page_are_taken_row_by_row_or_column_by_column(tmp_path) -> None:
    deck = tmp_path / "page.png"
    for number in ("auto", 6):
        tray = read(pictures(cards_a_picture=number), deck, saved(six()))
        assert (texts_of(tray), tray.odd) == (TEXTS, [])
    tray = read(pictures(cards_a_picture="auto", page_order="columns"), deck, saved(six()))
    assert texts_of(tray) == TEXTS[::2] + TEXTS[1::2]


@pytest.mark.parametrize(("gap", "skew"), [(-12, 0), (4, 2)])
def test_each_box_shows_one_card_whole_and_nothing_of_the_others(gap, skew) -> None:
    cards = [card(text)[16:-16, 16:-16] for text in TEXTS]
    rows = [cards[:2], cards[2:4], cards[4:]]
    sheet = (
        page(rows, max(gap, 0))
        if gap >= 0
        else page([[c[12:-12, 12:-12] for c in r] for r in rows])
    )
    sheet = np.pad(sheet, 60, constant_values=24)
    turned = Image.fromarray(sheet).rotate(skew, Image.Resampling.BICUBIC, fillcolor=24)
    whole = np.asarray(turned)
    boxes = cards_on_page(whole)
    parts = [box.of(whole) for box in boxes]
    paper = [int((part > 128).sum()) for part in parts]
    assert len(parts) == 6
    assert abs(sum(paper) - int((whole > 128).sum())) < 100, "all paper is in one box and no other"
    assert [read_card(part).why for part in parts] == ["read"] * 6
    assert [Box.from_numbers(box.numbers()) for box in boxes] == boxes


def test_other_than_the_number_of_cards_that_should_be_there_is_returned_whole(tmp_path) -> None:
    members = {"1.png": saved(six()), "2.png": saved(card(TEXTS[0]))}
    made, deck = pictures(cards_a_picture=1 + 4), tmp_path / "deck.zip"
    tray = read(made, deck, zipped(members))
    assert odd_of(tray) == [(1, "cards-on-picture", "fatal"), (2, "cards-on-picture", "fatal")]
    assert said_of(tray, 1) == ["6 cards are seen on this picture where 5 should be"]
    back = b"".join(made.original(deck, 1))
    with tarfile.open(fileobj=io.BytesIO(back)) as archive:
        (info,) = archive.getmembers()
        assert archive.extractfile(info).read() == members["1.png"]


def test_a_page_without_a_card_keeps_a_place(tmp_path) -> None:
    empty = np.full((900, 1300), 24, np.uint8)
    members = {"1.png": saved(empty), "2.png": saved(six()), "3.png": b""}
    tray = read(pictures(cards_a_picture="auto"), tmp_path / "deck.zip", zipped(members))
    assert odd_of(tray) == [(1, "not-a-card", "fatal"), (8, "not-a-picture", "fatal")]
    assert texts_of(tray)[1:7] == TEXTS


def test_a_card_cut_out_of_a_page_comes_back_as_what_was_read(tmp_path) -> None:
    texts = ["00001", "00002 HEAD"]
    sheet = page([[card(texts[0])], [half_punched(texts[1], 8)]])
    made, deck = pictures(cards_a_picture=2), tmp_path / "pages.tif"
    images = [Image.fromarray(sheet), Image.fromarray(sheet[::-1, ::-1].copy())]
    data = saved(images[0], "TIFF", save_all=True, append_images=images[1:])
    tray = read(made, deck, data)
    assert [number for number, reason, _ in odd_of(tray) if reason == "unsure"] == [2, 3]
    back = tmp_path / "back.tar"
    back.write_bytes(b"".join(made.original(deck, 2)) + made.end())
    with tarfile.open(back) as archive:
        assert archive.getnames() == ["pages.tif.page-0001.png.card-02.png"]
    again = read_deck(made, back)
    assert (again.holes == tray.holes[1]).all()
    assert odd_of(again) == [(1, "unsure", "fatal")], "one card, whatever number is asked for"


@pytest.mark.parametrize("number", [0, 1001, True, 2.0, "all"])
def test_a_number_of_cards_that_is_none_is_refused_in_one_sentence(number) -> None:
    with pytest.raises(ValidationError, match="should be a number of cards from 1 to 1,000") as no:
        pictures(cards_a_picture=number)
    assert no.value.error_count() == 1


def test_pages_are_cut_into_spans_of_cards(tmp_path) -> None:
    deck = tmp_path / "page.png"
    deck.write_bytes(saved(six()))
    same_however_cut(lambda: pictures(cards_a_picture="auto"), deck, 4, 3)


JOB = """
title = "Boxes"
[[stage]]
kind = "decode"
medium = { kind = "KIND" }
[[stage]]
kind = "emit"
[[stage.output]]
file = "cards.tar"
form = "deck"
"""


def job(folder: Path, kind: str = "pictures") -> Path:
    path = folder / "job.toml"
    said = '", cut = "upper-left' if kind == "pictures" else ""
    path.write_text(JOB.replace("KIND", kind + said), "utf-8")
    return path


def test_a_folder_is_a_deck_and_its_fingerprint_is_that_of_its_files(tmp_path) -> None:
    box = foldered(tmp_path / "box", named_cards(TEXTS[:3], "tray {}/card.png"))
    (box / "läs mig.txt").write_bytes(b"box 3")
    outcome = run_job(job(tmp_path), [box], tmp_path / "run")
    (deck,) = outcome.control["decks"]
    files = [path for path in box.rglob("*") if path.is_file()]
    assert (deck["name"], deck["cards"], deck["files"]) == ("box", 3, 4)
    assert deck["size"] == sum(path.stat().st_size for path in files)
    assert deck["sha256"] == fingerprint(box)
    tray = read_deck(pictures(), outcome.folder / "out" / "cards.tar")
    assert texts_of(tray) == TEXTS[:3]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_anyone_can_work_out_the_fingerprint_of_a_folder(tmp_path) -> None:
    box = foldered(tmp_path / "box", {"b/x.txt": b"1", "a.txt": b"2", "Z": b"", "ö": b"3"})
    command = "find . -type f -printf '%P\\0' | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum"
    done = subprocess.run(command, shell=True, cwd=box, capture_output=True, check=True)  # noqa: S602
    assert done.stdout.split()[0].decode() == fingerprint(box)
    before = fingerprint(box)
    (box / "a.txt").rename(box / "A.txt")
    assert fingerprint(box) != before


def test_a_folder_that_changes_while_it_is_read_is_refused_and_one_that_rests_is_not(
    tmp_path,
) -> None:
    box = foldered(tmp_path / "box", named_cards(TEXTS[:2]))
    changes = [lambda: (box / "new.png").write_bytes(b""), (box / "card-1.png").touch]
    for number, change in enumerate([*changes, lambda: None]):

        def progress(what: str, done: int, total: int, change=change) -> None:
            change()

        out = tmp_path / f"run-{number}"
        if number == len(changes):
            (box / "new.png").unlink()
            assert run_job(job(tmp_path), [box], out, progress=progress).cards == 2
            continue
        with pytest.raises(UnreadableDeckError, match="was changed while it was read"):
            run_job(job(tmp_path), [box], out, progress=progress)
        assert not out.exists()


def test_other_media_refuse_a_folder(tmp_path) -> None:
    box = foldered(tmp_path / "box", {"a.txt": b"1"})
    with pytest.raises(UnreadableDeckError, match="is a folder, which the medium 'text'"):
        run_job(job(tmp_path, "text"), [box], tmp_path / "run")


def test_two_processes_give_the_same_run_folder(tmp_path) -> None:
    members = named_cards(TEXTS) | {"card-2.png": saved(half_punched(TEXTS[1], 5))}
    deck = tmp_path / "deck.zip"
    deck.write_bytes(zipped(members))
    path = job(tmp_path)
    path.write_text(path.read_text("utf-8").replace("pictures", 'pictures", cards_a_task = "2')
                    .replace('"2"', "2"), "utf-8")  # fmt: skip
    folders = [
        run_job(path, [deck], tmp_path / f"run-{workers}", workers=workers).folder
        for workers in (1, 2)
    ]
    one, two = (
        {file.relative_to(folder): file.read_bytes() for file in folder.rglob("*.*")}
        for folder in folders
    )
    assert one == two
