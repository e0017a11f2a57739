"""One drawing in three forms: SVG, PNG and PDF of one size, with the same holes in their places."""

from __future__ import annotations

import io
import re
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from deckwright.cards.codes import load_code
from deckwright.cards.holes import spread_rows
from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    HOLE_HEIGHT,
    HOLE_WIDTH,
    INCH,
    centres,
)
from deckwright.pictures.reader.reading import read_card
from deckwright.report.drawing import cards, lettering
from deckwright.report.drawing.cards import card_scene, draw_card, plain_scene
from deckwright.report.drawing.lettering import FontFileError, NoDrawingLibraryError, load_face
from deckwright.report.drawing.notes import VISIBLE_BLANK
from deckwright.report.drawing.pdf import to_pdf
from deckwright.report.drawing.png import TooManyPixelsError, to_png
from deckwright.report.drawing.scene import HATCH, box, hatching
from deckwright.report.drawing.svg import to_svg
from deckwright.report.signs import UNPRINTABLE
from drawing_help import BLANK, MARKS, PATTERNS, SVG, boxes_of, drawn, pages_of

FRAME = cards.FRAME * INCH / 1000
CODES = sorted(path.stem for path in (Path(cards.__file__).parents[2] / "cards/data").glob("*.csv"))


def picture(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png)).convert("RGB")


def hole_centres(patterns: np.ndarray) -> np.ndarray:
    """Return the middles of the holes in mm from the card's upper left corner, sorted."""
    found = centres()[spread_rows(patterns).T]
    return found[np.lexsort(found.T)]


def test_the_card_is_of_one_size_in_every_form() -> None:
    # 187.325 x 82.55 mm: ANSI/AIIM MS41-1996, clause 4.3.1, citing ANSI X3.11
    assert (CARD_WIDTH, CARD_HEIGHT) == (187.325, 82.55)
    scene = plain_scene(BLANK)
    root = drawn(to_svg(scene))
    left, top, wide, high = map(float, root.get("viewBox").split())
    millimetres = float(root.get("width").removesuffix("mm")) / wide
    assert float(root.get("height").removesuffix("mm")) / high == pytest.approx(
        millimetres, rel=1e-4
    )
    corners = re.findall(r"[hv](-?[\d.]+)", next(root.iter(f"{SVG}path")).get("d"))
    assert max(map(float, corners)) * millimetres == pytest.approx(CARD_WIDTH - 5.588, abs=0.03)
    # the cut is at 60 degrees to the long edge
    slope = cards.CUT_DOWN / cards.CUT_ALONG
    assert slope == pytest.approx(3**0.5, rel=1e-3)
    assert (left, top) == (-cards.FRAME, -cards.FRAME)
    for ppi in (100, 200, 300):
        ours = picture(to_png(scene, ppi, ground="#ff0000"))
        # how much of each pixel is paper or its edge (whose green is 0x55), and not the ground
        card = np.clip(np.asarray(ours)[:, :, 1] / 0x55, 0, 1)
        edge = 14 * INCH / 1000  # half of the edge lies beyond the outline on each side
        pixel = INCH / ppi
        middle = (card.shape[0] // 2, card.shape[1] // 2)
        assert card[middle[0]].sum() * pixel - edge == pytest.approx(CARD_WIDTH, abs=pixel)
        assert card[:, middle[1]].sum() * pixel - edge == pytest.approx(CARD_HEIGHT, abs=pixel)
    page = pages_of(to_pdf([scene]))[0]
    scale = re.findall(r"([\d.]+) 0 0 ([\d.]+) [-\d.]+ [-\d.]+ cm", page)[-1]
    points = cards.WIDTH * float(scale[0]), cards.HEIGHT * float(scale[1])
    assert points == pytest.approx((CARD_WIDTH / INCH * 72, CARD_HEIGHT / INCH * 72), abs=0.01)


@pytest.mark.parametrize("ppi", [72, 200, 300, 600])
def test_a_png_says_how_large_it_is_printed(ppi) -> None:
    data = to_png(plain_scene(BLANK), ppi)
    # pHYs: pixels a metre along and down, and the unit 1 = metre (RFC 2083, 4.2.4.2)
    at = data.index(b"pHYs") + 4
    along, down = (int.from_bytes(data[at + n : at + n + 4], "big") for n in (0, 4))
    assert (along, down, data[at + 8]) == (along, along, 1)
    assert along == pytest.approx(ppi / 0.0254, abs=0.51)
    wide = picture(data).width / along * 1000
    assert wide == pytest.approx(CARD_WIDTH + 2 * FRAME, abs=25.4 / ppi)


@settings(max_examples=8, deadline=None)
@given(PATTERNS)
def test_holes_lie_in_their_places_in_svg_and_pdf(patterns) -> None:
    wanted = hole_centres(patterns)
    page = pages_of(to_pdf([plain_scene(patterns)]))[0]
    boxes = boxes_of(page) * INCH / 1000
    middles = np.stack([boxes[:, 0] + boxes[:, 2] / 2, -boxes[:, 1] - boxes[:, 3] / 2], axis=1)
    assert middles[np.lexsort(np.round(middles, 3).T)] == pytest.approx(wanted, abs=0.01)
    sizes = np.broadcast_to([HOLE_WIDTH, HOLE_HEIGHT], (len(wanted), 2))
    assert boxes[:, 2:] == pytest.approx(sizes, abs=0.01)


@settings(max_examples=5, deadline=None)
@given(PATTERNS, st.sampled_from([100, 150, 200]))
def test_a_png_is_dark_at_the_middle_of_every_hole_and_nowhere_else(patterns, ppi) -> None:
    light = np.asarray(picture(to_png(plain_scene(patterns), ppi)).convert("L"))
    places = ((centres() + FRAME) / INCH * ppi).astype(int)
    seen = light[places[..., 1], places[..., 0]] < 128
    assert np.array_equal(seen, spread_rows(patterns).T)


@settings(max_examples=3, deadline=None)
@given(PATTERNS)
def test_a_drawn_card_on_a_dark_backing_is_read_as_it_was_punched(patterns) -> None:
    patterns[:9] |= np.uint16(0x100)  # a card without holes is read as a blank one
    scene = plain_scene(patterns)
    ours = np.asarray(picture(to_png(scene, 200, ground=cards.INK)))
    backing = np.array([int(cards.INK[n : n + 2], 16) for n in (1, 3, 5)], np.uint8)
    image = np.broadcast_to(backing, (ours.shape[0] + 120, ours.shape[1] + 120, 3)).copy()
    image[60:-60, 60:-60] = ours
    reading = read_card(image)
    assert np.array_equal(reading.patterns, patterns)


@settings(max_examples=6, deadline=None)
@given(MARKS)
def test_the_same_drawing_gives_the_same_bytes(marks) -> None:
    scene = card_scene(BLANK, "A CARD", marks, fields=[(1, 5, "item")])
    assert to_pdf([scene]) == to_pdf([scene])
    assert to_svg(scene) == to_svg(scene)
    assert to_png(scene, 60) == to_png(scene, 60)


def test_a_picture_in_strips_is_the_same_as_a_whole_one(monkeypatch) -> None:
    scene = card_scene(BLANK, "A CARD", [(3, 8, "a fault")], fields=[(1, 1, "item")])
    whole = np.asarray(picture(to_png(scene, 100)))
    monkeypatch.setattr("deckwright.report.drawing.png._STRIP", 100_000)
    assert np.array_equal(np.asarray(picture(to_png(scene, 100))), whole)


@pytest.mark.parametrize("name", CODES)
def test_every_character_of_the_packaged_codes_can_be_drawn(name) -> None:
    face = load_face.__wrapped__()
    characters = {c for c in load_code(name).alphabet.characters if c and c.isprintable()}
    for bold in (False, True):
        for character in characters | {UNPRINTABLE, VISIBLE_BLANK, *"\u2013\u2026"}:
            assert list(face.pieces(character, 100, len, bold=bold))
    assert face.missing == set()


def test_a_character_that_the_typeface_lacks_is_a_frame_and_is_told() -> None:
    face = load_face.__wrapped__()
    pieces = list(face.pieces("A\u0416B", 100, lambda text: 60.0 * len(text)))
    assert [piece for _, piece in pieces if isinstance(piece, str)] == ["A", "B"]
    assert [along for along, _ in pieces] == sorted(along for along, _ in pieces)
    assert face.missing == {"\u0416"}
    assert face.length("A\u0416B", 100, lambda text: 60.0 * len(text)) == 60 + 62 + 60


def test_texts_of_a_pdf_can_be_found_as_texts() -> None:
    page = pages_of(to_pdf([card_scene(BLANK, "HELLO", [(1, 2, "a fault")])]))[0]
    assert page.count(" Tj") > 20


def luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2.1 (W3C) defines it."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(
    ("dark", "light", "ratio"),
    [
        # 4.5 for text and 3 for graphics: WCAG 2.1, criteria 1.4.3 and 1.4.11
        (cards.INK, cards.PAPER, 4.5),
        (cards.INK, cards.BAND, 4.5),
        (cards.INK, cards.HATCHED, 3),
        (cards.MARK, cards.PAPER, 3),
        (cards.EDGE, cards.PAPER, 4.5),
        (cards.HATCHED, cards.PAPER, 3),
    ],
)
def test_nothing_hangs_on_colour(dark, light, ratio) -> None:
    assert (luminance(light) + 0.05) / (luminance(dark) + 0.05) >= ratio


@given(st.integers(-500, 7000), st.integers(-500, 3000), st.integers(1, 900), st.integers(1, 3000))
def test_hatching_stays_inside_and_is_even(left, top, wide, high) -> None:
    lines = list(hatching(box(left, top, wide, high)))
    sums = [first[0] + first[1] for first, _ in lines]
    assert [later - sooner for sooner, later in pairwise(sums)] == ([HATCH] * (len(lines) - 1))
    for start, end in lines:
        for along, down in (start, end):
            assert left <= along <= left + wide
            assert top <= down <= top + high
        assert start[0] + start[1] == end[0] + end[1]


def test_a_picture_that_would_be_too_large_is_refused() -> None:
    with pytest.raises(TooManyPixelsError, match="choose a lower --ppi"):
        to_png(plain_scene(BLANK), 9_000)


def test_a_file_that_is_no_typeface_is_refused(tmp_path) -> None:
    path = tmp_path / "plain.ttf"
    path.write_text("not a font", encoding="utf-8")
    with pytest.raises(FontFileError, match=r"plain\.ttf"):
        to_pdf([plain_scene(BLANK)], font=path)


def test_another_typeface_is_used_where_it_is_named() -> None:
    bold = load_face().bold
    scene = card_scene(BLANK, "HELLO")
    assert to_png(scene, 60, font=bold) != to_png(scene, 60)
    assert b"Bold" in to_pdf([scene], font=bold)


@pytest.mark.parametrize(("module", "library"), [("PIL", "Pillow"), ("reportlab", "reportlab")])
def test_a_missing_library_is_named_with_what_to_install(monkeypatch, module, library) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    monkeypatch.setattr(lettering, "load_face", load_face.__wrapped__)
    monkeypatch.setattr("deckwright.report.drawing.png.load_face", load_face.__wrapped__)
    with pytest.raises(
        NoDrawingLibraryError, match=rf"{library}.*pip install 'deckwright\[drawing\]'"
    ):
        to_png(plain_scene(BLANK), 60)
    assert draw_card(BLANK)
