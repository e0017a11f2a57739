"""Decks of pictures: any archive, any order, any cut; nothing skipped, nothing guessed."""

from __future__ import annotations

import io
import tarfile

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from deckwright import ILLEGAL, PATTERNS, UnreadableDeckError
from deckwright.pictures.simulator.simulate import simulate_card
from media_help import must_be_one_sentence, read, same_however_cut, trays
from picture_help import (
    CODE,
    card,
    foldered,
    half_punched,
    holes_of,
    named_cards,
    odd_of,
    pictures,
    read_deck,
    said_of,
    saved,
    tarred,
    texts_of,
    zipped,
)

TEXTS = [f"{number:05d} DEPOT OF ORRIN" for number in range(1, 12)]
few_examples = settings(
    max_examples=4,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.mark.slow
def test_every_pattern_that_is_written_reads_back(tmp_path) -> None:
    every = np.random.default_rng(5).permutation(np.arange(52 * 80) % PATTERNS)
    holes = every.astype(np.uint16).reshape(-1, 80)
    made = pictures(cards_a_task=52)
    legal = CODE.from_holes >= 0
    text = np.where(legal, CODE.from_holes, ILLEGAL).astype(np.uint8)[holes]
    data = made.encode(text, holes, None, CODE.alphabet)
    tray = read(made, tmp_path / "deck.tar", data)
    assert (tray.holes == holes).all()
    assert (tray.text == text).all()
    assert tray.odd == []


@few_examples
@given(st.lists(st.text("AZ09&-", max_size=12), min_size=1, max_size=3), st.integers(1, 3))
def test_what_is_written_in_pieces_reads_back_in_its_order(tmp_path, texts, pieces) -> None:
    made = pictures()
    full = [text.ljust(80) for text in texts] * 2
    text = np.stack([np.frombuffer(CODE.alphabet.encode(line), np.uint8) for line in full])
    data = b"".join(
        made.encode(part, None, None, CODE.alphabet) for part in np.array_split(text, pieces)
    )
    tray = read(made, tmp_path / "deck.tar", data)
    assert (tray.text == text).all()


def test_a_written_deck_can_be_opened_by_any_tar_program(tmp_path) -> None:
    made = pictures()
    text = np.frombuffer(CODE.alphabet.encode("A".ljust(80)), np.uint8)[None, :]
    data = made.encode(text, None, None, CODE.alphabet)
    assert data == made.encode(text, None, None, CODE.alphabet)
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        (info,) = archive.getmembers()
        assert (info.isreg(), info.mtime, info.uid) == (True, 0, 0)
        assert Image.open(archive.extractfile(info)).format == "PNG"


def test_any_order_of_the_members_gives_the_cards_by_number(tmp_path) -> None:
    texts = [TEXTS[place] for place in (0, 1, 8, 9, 10)]
    members = [(f"card-{int(text[:5])}.png", saved(card(text))) for text in texts]
    order = np.random.default_rng(3).permutation(len(members)).tolist()
    members = [members[place] for place in order]
    tray = read(pictures(), tmp_path / "deck.zip", zipped(members))
    assert texts_of(tray) == texts
    as_they_lie = read(pictures(order="archive"), tmp_path / "other.zip", zipped(members))
    assert texts_of(as_they_lie) == [texts[place] for place in order]


def test_any_cut_gives_the_same_cards(tmp_path) -> None:
    members = named_cards(TEXTS[:7])
    members["card-3.png"] = b"no picture"
    members["card-5.png"] = saved(np.rot90(card(TEXTS[4]), 2))
    deck = tmp_path / "deck.zip"
    deck.write_bytes(zipped(members))
    uncut = same_however_cut(pictures, deck, 3, 2)
    assert odd_of(uncut[0]) == [(3, "not-a-picture", "fatal"), (5, "turned", "note")]
    survey, _ = trays(pictures(cards_a_task=2), deck)
    assert [span.cards for span in survey.spans] == [2, 2, 2, 1]


@pytest.mark.parametrize("how", ["zip", "deflated", "tar", "tar.gz", "folder", "pages", "mixed"])
def test_every_kind_of_deck_gives_the_same_cards(tmp_path, how) -> None:
    texts = TEXTS[:3]
    members = named_cards(texts, "box 1/card {}.png")
    deck = tmp_path / "deck"
    first, *others = [Image.fromarray(card(text)) for text in texts]
    if how == "folder":
        foldered(deck, members)
    elif how == "pages":
        deck.write_bytes(saved(first, "TIFF", save_all=True, append_images=others))
    elif how == "mixed":
        both = saved(first, "TIFF", save_all=True, append_images=others[:1], compression="tiff_lzw")
        deck.write_bytes(zipped({"a.tif": both, "b.jpg": saved(others[1], "JPEG")}))
    else:
        made = {
            "zip": zipped,
            "deflated": lambda files: zipped(files, 6),
            "tar": tarred,
            "tar.gz": lambda files: tarred(files, "w:gz"),
        }[how]
        deck.write_bytes(made(members))
    tray = read_deck(pictures(), deck)
    assert texts_of(tray) == texts
    assert (tray.holes == np.stack([holes_of(text) for text in texts])).all()


@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF", "BMP", "WEBP"])
def test_a_picture_alone_is_a_deck(tmp_path, form) -> None:
    options = {"lossless": True} if form == "WEBP" else {}
    data = saved(Image.fromarray(card(TEXTS[0])).convert("RGB"), form, **options)
    assert texts_of(read(pictures(), tmp_path / "deck", data)) == TEXTS[:1]


def _with_alpha() -> Image.Image:
    image = Image.fromarray(card(TEXTS[0])).convert("RGBA")
    image.putalpha(Image.fromarray(np.where(card(TEXTS[0]) < 60, 0, 255).astype(np.uint8)))
    return image


MODES = {
    "16 bits": lambda: Image.fromarray(card(TEXTS[0]).astype(np.uint16) * 257),
    "12 bits in 16": lambda: Image.fromarray(card(TEXTS[0]).astype(np.uint16) * 16),
    "palette": lambda: Image.fromarray(card(TEXTS[0])).convert("RGB").quantize(16),
    "1 bit": lambda: Image.fromarray(card(TEXTS[0]) > 110),
    "inks": lambda: Image.fromarray(card(TEXTS[0])).convert("CMYK"),
    "transparent": _with_alpha,
}


@pytest.mark.parametrize("mode", MODES)
def test_pictures_of_every_mode_are_read(tmp_path, mode) -> None:
    form = "TIFF" if mode == "inks" else "PNG"
    tray = read(pictures(), tmp_path / "deck", saved(MODES[mode](), form))
    known = tray.text[0] != ILLEGAL
    assert (tray.holes[0][known] == holes_of(TEXTS[0])[known]).all()
    # of black and white alone less is sure
    assert known.sum() >= (60 if mode == "1 bit" else 80)


def test_a_camera_that_says_how_it_was_held_is_believed(tmp_path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 3  # Orientation, Exif 2.3 section 4.6.4: turned by half
    turned = Image.fromarray(np.rot90(card(TEXTS[0]), 2))
    tray = read(pictures(), tmp_path / "deck", saved(turned, "JPEG", quality=95, exif=exif))
    assert (texts_of(tray), tray.odd) == (TEXTS[:1], [])


def test_ways_to_lie_are_noted_and_kinds_of_cards_are_named(tmp_path) -> None:
    holes = holes_of(TEXTS[0])
    members = {
        "1.png": saved(np.rot90(card(TEXTS[0]), 2)),
        "2.png": saved(card(TEXTS[0])[:, ::-1]),
        "3.png": saved(simulate_card(holes, "banner", ppi=150, seed=2).image),
        "4.png": saved(simulate_card(holes, "not a card", ppi=150, seed=2).image),
        "5.png": saved(card("")),
        "6.png": saved(card(TEXTS[0])[:, :-330]),
    }
    tray = read(pictures(backs="read"), tmp_path / "deck.zip", zipped(members))
    assert odd_of(tray) == [
        (1, "turned", "note"),
        (2, "turned", "note"),
        (3, "banner", "aside"),
        (4, "not-a-card", "fatal"),
        (6, "clipped", "fatal"),
    ]
    assert texts_of(tray)[:2] == TEXTS[:1] * 2
    assert not tray.holes[3:].any(), "nothing of a card that is not read may go on"
    banner = {"3.png": members["3.png"]}
    for option, severity in (("return", "fatal"), ("keep", "note")):
        deck = tmp_path / f"{option}.zip"
        found = odd_of(read(pictures(banners=option), deck, zipped(banner)))
        assert found == [(1, "banner", severity)]


def test_a_column_that_is_not_sure_is_never_data(tmp_path) -> None:
    tray = read(pictures(), tmp_path / "deck", saved(half_punched(TEXTS[0], 17, 40)))
    assert odd_of(tray) == [(1, "unsure", "fatal")]
    assert said_of(tray, 1) == ["please look at columns 17, 40"]
    unknown = np.flatnonzero(tray.text[0] == ILLEGAL) + 1
    assert unknown.tolist() == [17, 40]
    assert not tray.holes[0][unknown - 1].any()
    known = np.delete(np.arange(80), unknown - 1)
    assert (tray.holes[0][known] == holes_of(TEXTS[0])[known]).all()


@pytest.mark.parametrize("size", [0, 1, 600])
def test_a_deck_that_is_no_picture_is_refused_in_a_sentence(tmp_path, size) -> None:
    deck = tmp_path / "deck.zip"
    deck.write_bytes(b"x" * size)
    with pytest.raises(UnreadableDeckError) as caught:
        pictures().survey(deck, 100)
    must_be_one_sentence(caught.value)


def test_a_deck_of_which_nothing_opens_is_refused_and_of_which_some_opens_is_not(tmp_path) -> None:
    deck = tmp_path / "deck.zip"
    members = dict.fromkeys(["1.png", "2.png", "3.png"], b"\x89PNG\r\n\x1a\n") | {"4.png": b""}
    deck.write_bytes(zipped(members))
    with pytest.raises(UnreadableDeckError, match=r"'1\.png' is .*; the first 3 are alike"):
        pictures().survey(deck, 100)
    tray = read(pictures(), deck, zipped({**members, "2.png": saved(card(TEXTS[0]))}))
    assert [number for number, *_ in odd_of(tray)] == [1, 3, 4]
    assert texts_of(tray)[1] == TEXTS[0]
