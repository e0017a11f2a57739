from __future__ import annotations

import hashlib
import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from secondrenderer.content import CODE, holes_of
from secondrenderer.draw import draw, draw_box
from secondrenderer.geometry import PITCH, column_centres, row_centres
from secondrenderer.recipes import plan_box, plan_picture
from sets import first_line


def levels(picture, card):
    """Return how far each place is from the paper beside it, as a share of holes to paper."""
    page = ImageOps.exif_transpose(Image.open(io.BytesIO(picture.data))).convert("RGB")
    grey = np.asarray(page).astype(float).mean(axis=2)
    to_next = np.diff(
        card.centres, axis=1, append=2 * card.centres[:, -1:] - card.centres[:, -2:-1]
    )
    down = np.stack([-to_next[..., 1], to_next[..., 0]], axis=-1) * (PITCH[1] / PITCH[0])
    share = np.linspace(-0.22, 0.22, 5)
    inside = [_at(grey, card.centres + x * to_next + y * down) for x in share for y in 0.8 * share]
    beside = [_at(grey, card.centres + way * 0.5 * to_next) for way in (-1, 1)]
    return np.abs(np.mean(inside, axis=0) - np.mean(beside, axis=0))


def _at(grey, positions):
    x, y = np.floor(positions).astype(int)[..., 0], np.floor(positions).astype(int)[..., 1]
    return grey[np.clip(y, 0, grey.shape[0] - 1), np.clip(x, 0, grey.shape[1] - 1)]


def _clean(seed, device):
    box = plan_box(seed, device=device, dpi=150)
    for number in range(1, 40):
        plan = plan_picture(box, number)
        if plan.grade == "clean":
            return draw(box, plan, number)
    raise AssertionError


@pytest.mark.parametrize("device", ["flatbed", "phone", "page"])
@pytest.mark.parametrize("seed", first_line([2, 3, 6, 10], 3))
def test_a_clean_card_has_its_holes_where_the_truth_says(seed, device):
    picture = _clean(seed, device)
    for card in picture.cards:
        assert not card.hidden.any()
        told = levels(picture, card)
        if card.holes.any():
            # a sharp threshold between the two, for all places at once
            assert told[card.holes].min() > told[~card.holes].max()


def test_a_mirrored_picture_has_its_places_on_the_other_side():
    seed = next(seed for seed in range(2, 400, 2) if plan_box(seed, dpi=150).mirrored)
    picture = _clean(seed, "flatbed")
    for card in picture.cards:
        told = levels(picture, card)
        if card.holes.any():
            assert told[card.holes].min() > told[~card.holes].max()


def test_the_same_seed_gives_the_same_bytes_and_another_one_others():
    first, second, other = (
        [hashlib.sha256(each.data).digest() for each in draw_box(seed, 2, device="phone", dpi=150)]
        for seed in (8, 8, 9)
    )
    assert first == second
    assert set(first).isdisjoint(other)


def test_what_a_picture_does_not_show_is_told():
    found = {}
    for seed in range(20, 400, 2):
        box = plan_box(seed, device="flatbed", dpi=150)
        plan = plan_picture(box, 1)
        what = (
            "finger" if plan.fingers
            else "picture's edge" if min(plan.margins) < -8
            else "another card" if plan.arrangement == "overlap" and box.dpi < 200
            else ""
        )  # fmt: skip
        if what and what not in found:
            found[what] = draw(box, plan, 1)
        if len(found) == 3:
            break
    assert len(found) == 3
    for what, picture in found.items():
        told = [card for card in picture.cards if what in card.hidden_by]
        assert told
        assert all(card.grade == "bad" and card.hidden.any() for card in told)
        assert not all(card.hidden.all() for card in picture.cards)


def test_places_lie_by_the_standard_in_the_middle_of_the_card():
    x, y = column_centres(), row_centres()
    assert x[0] == pytest.approx(6.3754, abs=1e-3)
    assert x[79] == pytest.approx(180.9496, abs=1e-3)
    assert (y[0], y[11]) == pytest.approx((6.35, 76.2))


def test_every_character_has_holes_of_its_own():
    patterns = {tuple(holes_of(letter)[:, 0]) for letter in CODE}
    assert len(patterns) == len(CODE)


def test_a_box_has_the_halves_apart_and_every_kind_of_card():
    boxes = [plan_box(seed) for seed in range(2, 402, 2)]
    stocks = [stock for box in boxes for stock in box.stocks]
    assert {stock.cut for stock in stocks} == {"upper-left", "upper-right", "none"}
    assert {box.device for box in boxes} == {"flatbed", "phone", "page"}
    assert {box.turned for box in boxes} == {0, 90, 180, 270}
    assert any(box.backs == 1 for box in boxes)
    assert any(box.mirrored for box in boxes)
    assert any(len(box.stocks) > 1 for box in boxes)
