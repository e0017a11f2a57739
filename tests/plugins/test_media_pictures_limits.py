"""Archives and pictures made to do harm are refused in a sentence, their harmless twins read."""

from __future__ import annotations

import gzip
import io
import os
import struct
import tarfile
import zipfile
import zlib

import numpy as np
import pytest
from PIL import Image, features

from deckwright import PictureError, UnreadableDeckError, load_picture
from deckwright_plugins.media.pictures import desk, members
from deckwright_plugins.media.pictures.index import build_index
from deckwright_plugins.media.pictures.options import PicturesConfig
from media_help import must_be_one_sentence, read, trays
from picture_help import (
    card,
    foldered,
    odd_of,
    pictures,
    read_deck,
    said_of,
    saved,
    tarred,
    texts_of,
    zipped,
)

CARD = saved(card("00001"))


def refused(made, deck) -> str:
    """Return why a deck is refused."""
    with pytest.raises(UnreadableDeckError) as caught:
        trays(made, deck)
    must_be_one_sentence(caught.value)
    return str(caught.value)


def tar_of(*infos: tarfile.TarInfo) -> bytes:
    """Return a tar of these headers, the plain files holding a card."""
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        for info in infos:
            info.size = len(CARD) if info.isreg() else 0
            archive.addfile(info, io.BytesIO(CARD))
    return buffer.getvalue()


def special(name: str, kind: bytes, target: str = "") -> tarfile.TarInfo:
    info = tarfile.TarInfo(name)
    info.type, info.linkname = kind, target
    return info


@pytest.mark.parametrize("name", ["../card.png", "/card.png", "a/../../card.png", "C:/card.png"])
@pytest.mark.parametrize("pack", [zipped, tarred])
def test_a_name_that_leads_out_is_refused(tmp_path, pack, name) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(pack({"a.png": CARD, name: CARD}))
    assert "leads out of it or nowhere" in refused(pictures(), deck)
    harmless = name.replace("..", "x.y").replace(":", "").lstrip("/")
    deck.write_bytes(pack({"a.png": CARD, harmless: CARD}))
    assert texts_of(read_deck(pictures(), deck)) == ["00001"] * 2
    assert list(tmp_path.iterdir()) == [deck], "nothing is unpacked beside a deck"


@pytest.mark.parametrize(
    "info",
    [
        special("b.png", tarfile.SYMTYPE, "a.png"),
        special("b.png", tarfile.LNKTYPE, "a.png"),
        special("b.png", tarfile.CHRTYPE),
        special("b.png", tarfile.FIFOTYPE),
    ],
)
def test_links_and_devices_are_refused(tmp_path, info) -> None:
    deck = tmp_path / "deck.tar"
    deck.write_bytes(tar_of(tarfile.TarInfo("a.png"), info))
    assert "'b.png', which is a link or a device" in refused(pictures(), deck)
    deck.write_bytes(tar_of(tarfile.TarInfo("a.png"), special("b", tarfile.DIRTYPE)))
    assert texts_of(read_deck(pictures(), deck)) == ["00001"]


def test_a_link_in_a_zip_or_a_folder_is_refused(tmp_path) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        info = zipfile.ZipInfo("a.png")
        info.external_attr = 0o120777 << 16
        archive.writestr(info, "/etc/hostname")
    deck = tmp_path / "deck.zip"
    deck.write_bytes(buffer.getvalue())
    assert "a link or a device" in refused(pictures(), deck)
    folder = foldered(tmp_path / "box", {"a.png": CARD})
    (folder / "b.png").symlink_to("a.png")
    assert "a link or a device" in refused(pictures(), folder)
    (folder / "b.png").unlink()
    os.mkfifo(folder / "c.png")
    assert "a link or a device" in refused(pictures(), folder)


def zip_of_names(count: int) -> bytes:
    """Return a zip that lists the same small member so many times.

    Its end is in the form for many members: zip64 end record, locator, end record (from memory).
    """
    listed = bytearray(zipped({"a": b""}))
    at = listed.rfind(b"PK\x01\x02")
    entry = bytes(listed[at : listed.rfind(b"PK\x05\x06")])
    size = len(entry) * count
    end = struct.pack("<4sQHHIIQQQQ", b"PK\x06\x06", 44, 45, 45, 0, 0, count, count, size, at)
    locator = struct.pack("<4sIQI", b"PK\x06\x07", 0, at + size, 1)
    last = struct.pack("<4sHHHHIIH", b"PK\x05\x06", 0, 0, 0xFFFF, 0xFFFF, size, 0xFFFFFFFF, 0)
    return bytes(listed[:at]) + entry * count + end + locator + last


def test_a_zip_of_100_000_names_is_refused_before_they_are_read(tmp_path, monkeypatch) -> None:
    deck = tmp_path / "deck.zip"
    deck.write_bytes(zip_of_names(5))
    with zipfile.ZipFile(deck) as archive:
        assert len(archive.infolist()) == 5
    deck.write_bytes(zip_of_names(100_000))
    monkeypatch.setattr(zipfile, "ZipFile", None)
    assert "a zip of more than 50,000 members" in refused(pictures(), deck)


@pytest.mark.parametrize("pack", ["zip", "tar", "folder"])
def test_more_files_than_wanted_are_refused(tmp_path, pack) -> None:
    members = {f"{number}.png": CARD for number in range(4)}
    deck = tmp_path / "deck"
    if pack == "folder":
        foldered(deck, members)
    else:
        deck.write_bytes({"zip": zipped, "tar": tarred}[pack](members))
    assert "more than 3" in refused(pictures(most_files=3), deck)
    assert pictures(most_files=4).survey(deck, 10).cards == 4


def test_a_zip_that_swells_is_refused(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(members, "FREE", 1 << 20)
    deck = tmp_path / "deck.zip"
    deck.write_bytes(zipped({"a.png": CARD, "b.txt": bytes(9 << 20)}, 9))
    assert "expands to more than 100 times its size" in refused(pictures(), deck)
    deck.write_bytes(zipped({"a.png": CARD, "b.txt": bytes(1 << 19)}, 9))
    assert pictures().survey(deck, 10).cards == 1


def test_a_gzip_that_swells_is_refused(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(members, "FREE", 1 << 20)
    deck = tmp_path / "deck.tar.gz"
    deck.write_bytes(tarred({"a.png": CARD, "b.txt": bytes(9 << 20)}, "w:gz"))
    assert "expands to more than 100 times its size" in refused(pictures(), deck)
    deck.write_bytes(tarred({"a.png": CARD, "b.txt": bytes(1 << 19)}, "w:gz"))
    assert pictures().survey(deck, 10).cards == 1


def test_a_zip_whose_members_share_bytes_is_refused(tmp_path) -> None:
    data = bytearray(zipped({"a.png": CARD, "b.png": CARD}))
    listed = data.rfind(b"PK\x01\x02")
    data[listed + 42 : listed + 46] = bytes(4)  # where the second begins: as the first
    deck = tmp_path / "deck.zip"
    deck.write_bytes(data)
    assert "share bytes" in refused(pictures(), deck)


@pytest.mark.parametrize(
    ("at", "value", "words"), [(8, 1, "'a.png', which is encrypted"), (10, 12, "not opened")]
)
def test_a_zip_that_needs_a_key_or_another_method_is_refused(tmp_path, at, value, words) -> None:
    data = bytearray(zipped({"a.png": CARD}))
    data[data.rfind(b"PK\x01\x02") + at] = value  # flags, method
    deck = tmp_path / "deck.zip"
    deck.write_bytes(data)
    assert words in refused(pictures(), deck)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (gzip.compress(b"no tar" * 200, mtime=0), "no tar is inside"),
        (tarred({"a.png": CARD}, "w:gz")[:-2000], "is a damaged gzip"),
        (zipped({"a.png": CARD})[:-30], "is a damaged zip"),
        (zipped({"a.png": CARD}).replace(b"PK\x01\x02", b"PK\x01\x03"), "is a damaged zip"),
        (zipped({"sub/": b""}), "holds no files"),
    ],
)
def test_a_damaged_archive_is_refused_in_a_sentence(tmp_path, data, words) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    assert words in refused(pictures(), deck)


def test_a_member_that_is_not_where_it_is_listed_comes_back(tmp_path) -> None:
    data = bytearray(zipped({"1.png": CARD, "2.png": CARD}))
    data[data.find(b"PK\x03\x04", 1)] = 0
    tray = read(pictures(), tmp_path / "deck.zip", bytes(data))
    assert odd_of(tray) == [(2, "not-a-picture", "fatal")]


def test_an_archive_inside_is_refused_and_a_note_is_listed(tmp_path) -> None:
    for inner in (zipped({"c.png": CARD}), b"%PDF-1.7", b"\x1f\x8b\x08"):
        deck = tmp_path / "deck.zip"
        deck.write_bytes(zipped({"a.png": CARD, "inner": inner}))
        assert "'inner', which is not opened" in refused(pictures(), deck)
    sheet = zipped({"sheet.xml": b""})
    deck.write_bytes(zipped({"a.png": CARD, "a.png.look.xlsx": sheet}))
    assert "save them from there as CSV" in refused(pictures(), deck)
    others = {
        "list.xlsx": sheet,
        "notes.txt": b"box 3",
        "Thumbs.db": b"x",
        "__MACOSX/._a.png": CARD,
        "sub/._b.png": b"",
    }
    deck.write_bytes(zipped({"a.png": CARD, **others}))
    index = build_index(deck, PicturesConfig(), tmp_path / "work")
    assert len(index.places) == 1
    assert [name for name, *_ in index.left] == list(others)


@pytest.mark.parametrize("cut", [1, 600, 1500])
def test_a_tar_that_is_cut_short_is_refused(tmp_path, cut) -> None:
    data = tarred({"a.png": CARD, "b.png": CARD}).rstrip(b"\0")
    deck = tmp_path / "deck.tar"
    deck.write_bytes(data[: len(data) - len(CARD) - 512 - cut % 500 + (cut > 1) * 512])
    said = refused(pictures(), deck)
    assert "cut short" in said or "unexpected end of data" in said


def test_two_tars_in_one_file_are_refused(tmp_path) -> None:
    deck = tmp_path / "deck.tar"
    deck.write_bytes(tarred({"a.png": CARD}) + tarred({"b.png": CARD}))
    assert "two tars in one" in refused(pictures(), deck)


def bomb(width: int, height: int) -> bytes:
    """Return a small PNG that says it is large, with data that would make it so."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = zlib.compress(bytes(1 << 16), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(10_000, 7_000), (60_000, 60_000)])
def test_a_picture_of_too_many_pixels_comes_back_unread(tmp_path, size) -> None:
    tray = read(pictures(), tmp_path / "d.zip", zipped({"a.png": CARD, "b.png": bomb(*size)}))
    assert odd_of(tray) == [(2, "too-large", "fatal")]
    (said,) = said_of(tray, 2)
    assert "pixels, more than" in said or "has more than" in said


def test_the_limit_of_pixels_is_an_option_and_said_at_once_where_all_are_too_large(
    tmp_path,
) -> None:
    deck = tmp_path / "deck.zip"
    deck.write_bytes(zipped({"a.png": CARD}))
    limit = card("00001").size
    assert pictures(most_pixels=limit).survey(deck, 10).cards == 1
    assert "set a larger most_pixels" in refused(pictures(most_pixels=limit - 1), deck)


def test_a_picture_cut_off_in_the_middle_comes_back_with_its_bytes(tmp_path) -> None:
    members = {"1.png": CARD[: len(CARD) // 2], "2.png": CARD, "3.png": b""}
    tiff = saved(card("00001"), "TIFF", compression="tiff_lzw")
    members |= {"4.tif": tiff[:-900], "5.tif": tiff}
    made, deck = pictures(), tmp_path / "deck.zip"
    tray = read(made, deck, zipped(members, 6))
    assert [number for number, *_ in odd_of(tray)] == [1, 3, 4]
    back = b"".join(piece for number in (1, 3, 4) for piece in made.original(deck, number))
    with tarfile.open(fileobj=io.BytesIO(back)) as archive:
        kept = {info.name: archive.extractfile(info).read() for info in archive}
    assert kept == {name: members[name] for name in ("1.png", "3.png", "4.tif")}


def test_a_member_with_a_wrong_check_sum_comes_back_as_far_as_it_can_be_had(tmp_path) -> None:
    data = bytearray(zipped({"1.png": CARD, "2.png": CARD}))
    data[data.find(b"IDAT") + 90] ^= 1
    made, deck = pictures(), tmp_path / "deck.zip"
    tray = read(made, deck, bytes(data))
    assert said_of(tray, 1) == ["the picture is damaged: its check sum is wrong"]
    assert texts_of(tray)[1] == "00001"
    assert len(b"".join(made.original(deck, 1))) >= len(CARD)


def test_only_formats_that_are_named_are_opened(tmp_path) -> None:
    members = {
        "1.png": CARD,
        "2.png": saved(card("00001"), "PPM"),
        "3.png": saved(card("1"), "GIF"),
    }
    members["4.png"] = saved(card("1"), "PDF") if features.check("jpg") else b""
    tray = read(pictures(), tmp_path / "deck.zip", zipped(members))
    assert odd_of(tray) == [(number, "not-a-picture", "fatal") for number in (2, 3, 4)]


def test_a_file_of_several_pictures_is_not_guessed_at(tmp_path) -> None:
    pages = [Image.fromarray(card(text)) for text in ("00001", "00002")]
    moving = saved(pages[0], "WEBP", save_all=True, append_images=pages[1:], lossless=True)
    tray = read(pictures(), tmp_path / "deck.zip", zipped({"1.webp": moving, "2.png": CARD}))
    assert odd_of(tray) == [(1, "several-pictures", "fatal")]


def test_a_smaller_copy_beside_a_picture_is_no_page(tmp_path) -> None:
    small = Image.fromarray(card("00001")[::8, ::8].copy())
    small.encoderinfo = {"tiffinfo": {254: 1}}  # NewSubfileType, TIFF 6.0: a smaller copy
    data = saved(Image.fromarray(card("00001")), "TIFF", save_all=True, append_images=[small])
    tray = read(pictures(), tmp_path / "deck.tif", data)
    assert texts_of(tray) == ["00001"]


@pytest.mark.parametrize("change", range(12))
def test_a_spoilt_picture_is_read_or_refused_but_never_ends_the_run(change) -> None:
    chance = np.random.default_rng(change)
    form = ["PNG", "JPEG", "TIFF", "WEBP"][change % 4]
    data = bytearray(saved(Image.fromarray(card("00001")[::3, ::3].copy()), form))
    for _ in range(25):
        spoilt = bytearray(data)
        for at in chance.integers(0, len(data), 6):
            spoilt[at] = chance.integers(256)
        said = ""
        try:
            loaded = load_picture(io.BytesIO(spoilt), 10**6)
        except PictureError as error:
            said = str(error)
        assert said.isprintable()
        assert said or loaded.image.dtype == np.uint8


def checkered(mode: str) -> Image.Image:
    """Return a picture of 1,300 by 900 with a wedge of light and a square."""
    image = np.tile(np.linspace(20, 220, 1300), (900, 1))
    image[300:600, 400:800] = 10
    if mode == "I;16":
        return Image.fromarray((image * 4).astype(np.uint16))
    grey = Image.fromarray(image.astype(np.uint8))
    return grey.convert(mode)


@pytest.mark.parametrize("mode", ["L", "RGB", "I;16", "RGBA", "1", "JPEG"])
def test_a_picture_beyond_a_size_is_given_at_half_of_it(mode) -> None:
    form, mode = ("JPEG", "RGB") if mode == "JPEG" else ("TIFF", mode)
    data = saved(checkered(mode), form)
    whole = load_picture(io.BytesIO(data), 10**7).image
    half = load_picture(io.BytesIO(data), 10**7, halved_beyond=10**6).image
    assert (whole.shape[:2], half.shape[:2]) == ((900, 1300), (450, 650))
    means = whole.reshape(450, 2, 650, 2, -1).astype(float).mean(axis=(1, 3))
    assert np.abs(means - half.reshape(means.shape)).max() <= (30 if form == "JPEG" else 1)
    assert np.abs(means - half.reshape(means.shape)).mean() < 1
    small = load_picture(io.BytesIO(data), 10**7, halved_beyond=2 * 10**6).image
    assert small.shape == whole.shape


def test_a_page_that_is_read_at_half_its_size_comes_back_as_large_as_it_came(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(desk, "CARD_PIXELS", 10**5)
    pages = [Image.fromarray(card(text, 400)) for text in ("00001", "00002")]
    deck = tmp_path / "two.tif"
    deck.write_bytes(saved(pages[0], "TIFF", save_all=True, append_images=pages[1:]))
    made = pictures()
    assert texts_of(read_deck(made, deck)) == ["00001", "00002"]
    packed = io.BytesIO(b"".join(made.original(deck, 2)) + made.end())
    with tarfile.open(fileobj=packed) as archive:
        back = archive.extractfile(archive.getnames()[0]).read()
    assert (load_picture(io.BytesIO(back), 10**7).image == np.asarray(pages[1])).all()


@pytest.mark.slow
@pytest.mark.parametrize("form", ["PNG", "JPEG", "TIFF"])
def test_a_page_of_a4_at_600_pixels_an_inch_with_one_card_is_read(tmp_path, form) -> None:
    page = np.full((7016, 4961, 3), 20, np.uint8)
    one = card("00001", 600)
    page[900 : 900 + one.shape[0], 80 : 80 + one.shape[1]] = one[..., None]
    name = f"a.{form.lower()}"
    tray = read(pictures(), tmp_path / "deck.zip", zipped({name: saved(page, form)}))
    assert odd_of(tray) == []
    assert texts_of(tray) == ["00001"]
