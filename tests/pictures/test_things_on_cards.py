"""What lies on a card, lies behind it, or bends it, never passes for plain paper."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")

import cv2

from deckwright import clean_card
from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH, INCH, centres
from deckwright.pictures.reader.reading import read_card
from deckwright.pictures.simulator.clean import MARGIN

PPI = 200
PIXELS = PPI / INCH
PATTERNS = np.array([0x800 >> (n % 12) for n in range(80)], np.uint16)


def plain() -> np.ndarray:
    """Return the picture, uint8 (h, w), of a card on a dark backing."""
    return clean_card(PATTERNS, "", PPI).copy()


def silent(reading) -> int:
    return int(((reading.patterns != PATTERNS) & reading.decided).sum())


def spot(along: float, down: float) -> tuple[int, int]:
    """Return the pixel of a place in mm on the card."""
    return round((along + MARGIN) * PIXELS), round((down + MARGIN) * PIXELS)


def paper(image: np.ndarray) -> int:
    return int(image[spot(100, 3)[::-1]])


def covered(first: tuple[float, float], last: tuple[float, float]) -> np.ndarray:
    """Return a card with something as light as its paper from one place to another, in mm."""
    image = plain()
    cv2.rectangle(image, spot(*first), spot(*last), paper(image), cv2.FILLED)
    return image


HOLE = centres()[1, 37]  # column 38 is punched in row 11


@pytest.mark.parametrize(
    ("first", "last"),
    [
        ((HOLE[0] - 3, -2.5), (HOLE[0] + 3, HOLE[1] + 3)),
        ((HOLE[0] - 1.2, -2.5), (HOLE[0] + 1.2, CARD_HEIGHT + 2.5)),
    ],
    ids=["a clip", "a band"],
)
def test_what_lies_across_an_edge_hides_the_columns_below_it(first, last):
    reading = read_card(covered(first, last))
    assert silent(reading) == 0
    assert reading.unsure[:, 37].all()
    assert not reading.unsure[:, :30].any()
    assert not reading.unsure[:, 46:].any()


def test_a_finger_over_a_short_edge_hides_the_rows_below_it():
    row = centres()[5, 4]  # column 5 is not punched there, column 6 is
    reading = read_card(covered((-2.5, row[1] - 7), (30, row[1] + 7)))
    assert silent(reading) == 0
    assert reading.unsure[5, :12].all()
    assert not reading.unsure[:, 40:].any()


def bent(most: float) -> np.ndarray:
    """Return a card whose columns are off by up to so many mm, its edges where they belong."""
    image = plain()
    down, along = np.indices(image.shape).astype(np.float32)
    share = np.clip((along / PIXELS - MARGIN) / CARD_WIDTH, 0, 1)
    off = most * np.where(share < 0.5, np.sin(2 * np.pi * share), 0)
    from_there = (along + off * PIXELS).astype(np.float32)
    return cv2.remap(image, from_there, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.parametrize("most", [0.2, 1.0, 1.4, 1.8, 2.2])
def test_holes_that_fall_between_the_places_are_never_counted_to_a_neighbour(most):
    reading = read_card(bent(most))
    assert silent(reading) == 0
    assert reading.bad == (most > 0.5)


def mottled(step: float, grain: float) -> np.ndarray:
    """Return a card on a backing lighter by `step` levels; holes lie in shadow as dark as paper."""
    image = plain()
    height, width = image.shape
    backing = np.abs(image.astype(np.int32) - int(image[2, 2])) < 30
    level = np.full((height, width), 150.0)
    outside = np.ones((height, width), np.bool_)
    low, high = spot(0, 0), spot(CARD_WIDTH, CARD_HEIGHT)
    outside[low[1] : high[1], low[0] : high[0]] = False
    level[backing] = 150 - 0.25 * step
    level[backing & outside] = 150 + step
    chance = np.random.default_rng(4)
    spots = cv2.GaussianBlur(chance.normal(size=(height, width)), (0, 0), 1.5 * PIXELS)
    level += np.where(backing, 0, grain * spots / spots.std())
    return np.clip(level + chance.normal(0, 0.5, level.shape), 0, 255).astype(np.uint8)


def test_holes_that_paper_could_hide_send_the_card_and_not_some_columns():
    reading = read_card(mottled(20, 1.5))
    assert silent(reading) == 0
    assert "low contrast" in reading.facts.damages


def test_the_same_card_with_more_contrast_is_read_or_asked_about():
    reading = read_card(mottled(90, 0.5))
    assert silent(reading) == 0
    assert "low contrast" not in reading.facts.damages


def labelled(colour: tuple[int, int, int], *, see_through: bool = False) -> np.ndarray:
    """Return a card with a label or a stain of some colour, 30 by 20 mm, about a hole."""
    image = np.repeat(plain()[..., None], 3, axis=2)
    left, top = spot(HOLE[0] - 15, HOLE[1] - 6)
    right, bottom = spot(HOLE[0] + 15, HOLE[1] + 14)
    patch = image[top:bottom, left:right]
    bare = patch[..., 0] > 128 if see_through else np.ones(patch.shape[:2], np.bool_)
    patch[bare] = colour
    return image


LEVEL = paper(plain())


@pytest.mark.parametrize(
    "colour",
    [(min(255, LEVEL + 25),) * 3, (LEVEL, LEVEL - 4, LEVEL - 40), (LEVEL - 60, LEVEL - 30, LEVEL)],
    ids=["lighter", "yellow", "blue"],
)
def test_a_label_of_another_light_or_tint_hides_what_is_below_it(colour):
    reading = read_card(labelled(colour))
    assert silent(reading) == 0
    assert reading.unsure[1, 33:43].all()
    assert not reading.unsure[:, :28].any()


def test_a_stain_that_lets_holes_through_hides_nothing():
    reading = read_card(labelled((LEVEL, LEVEL - 20, LEVEL - 60), see_through=True))
    assert silent(reading) == 0
    assert not reading.unsure[:, 37].any()


def overlapping(along: float, down: float, *, turned: float = 0.0) -> np.ndarray:
    """Return a card that lies on another, which is moved by so many mm and turned by degrees."""
    above = plain()
    room = round(40 * PIXELS)
    wide = np.full((above.shape[0] + 2 * room, above.shape[1] + 2 * room), int(above[2, 2]))
    wide = wide.astype(np.uint8)
    spots = [spot(*corner) for corner in ((0, 0), (CARD_WIDTH, CARD_HEIGHT))]
    (left, top), (right, bottom) = spots
    below = np.full((bottom - top, right - left), paper(above) - 12, np.uint8)
    moved = np.array([room + left + along * PIXELS, room + top + down * PIXELS])
    turn = cv2.getRotationMatrix2D((below.shape[1] / 2, below.shape[0] / 2), turned, 1)
    turn[:, 2] += moved
    cv2.warpAffine(below, turn, wide.shape[::-1], wide, borderMode=cv2.BORDER_TRANSPARENT)
    wide[room + top : room + bottom, room + left : room + right] = above[top:bottom, left:right]
    return wide


@pytest.mark.parametrize(
    ("along", "down", "turned"), [(30, 25, 0), (-25, 30, 4), (12, 20, 12), (0, 0, 30)]
)
def test_a_card_below_another_is_never_passed_over(along, down, turned):
    reading = read_card(overlapping(along, down, turned=turned))
    assert not reading.decided.any()
    assert "several cards" in reading.facts.damages or reading.facts.kind == "not a card"
    assert not reading.counted


def test_a_card_alone_is_counted():
    reading = read_card(plain())
    assert reading.counted
    assert not reading.needs_person


def scored(*columns: int, ruled: bool) -> np.ndarray:
    """Return a card with faint upright strokes beside places of row 3 and a rule below them."""
    image = plain().astype(np.int16)
    row = 5
    free = [column for column in range(20, 60) if column % 12 != row]
    for place in columns:
        along, down = centres()[row, free[place]]
        (left, top), (_, bottom) = spot(along - 0.7, down - 1.6), spot(along, down + 1.6)
        image[top:bottom, left - 1 : left + 1] -= 22
        if not ruled:
            first, last = spot(along - 0.7, down + 1.5), spot(along + 0.7, down + 1.5)
            image[first[1] - 1 : first[1] + 1, first[0] : last[0]] -= 22
    if ruled:
        first, last = (spot(*(centres()[row, column] + [0, 1.5])) for column in (15, 62))
        image[first[1] - 1 : first[1] + 2, first[0] : last[0]] -= 22
    return image.clip(0, 255).astype(np.uint8)


def test_a_printed_rule_with_letters_on_it_is_no_second_card():
    reading = read_card(scored(1, 9, 17, 25, 33, ruled=True))
    assert "doubled up" not in reading.facts.damages
    assert silent(reading) == 0


def test_faint_outlines_of_holes_still_tell_a_second_card():
    assert "doubled up" in read_card(scored(1, 9, 17, 25, 33, ruled=False)).facts.damages
