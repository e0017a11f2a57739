"""Cards drawn by other code with other faults than those the reader was made with."""

from __future__ import annotations

import numpy as np
import pytest

from sets import first_line

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")
pytest.importorskip("PIL", reason="pictures need the extra 'pictures'")

from deckwright.pictures.reader.reading import read_card
from pictures.other_renderer import Look, draw, look_by_chance

TEXT = "ANOTHER HAND DREW THIS 0123456789".ljust(80)


def card_of(seed):
    chance = np.random.default_rng(seed)
    if seed % 3 == 0:
        return chance.integers(0, 4096, 80).astype(np.uint16)
    return (0x800 >> chance.integers(0, 12, 80)).astype(np.uint16)


@pytest.mark.parametrize("seed", first_line(range(12), 0, 5, 10))
def test_a_card_of_another_hand_is_read(seed):
    patterns = card_of(seed)
    reading = read_card(draw(patterns, look_by_chance(seed), 150, seed, TEXT), backs="read")
    assert not ((reading.patterns != patterns) & reading.decided).any()
    assert not reading.bad, reading.why
    assert reading.unsure_columns.sum() <= 2


@pytest.mark.parametrize("flip", ["", "turned", "mirrored", "both"])
def test_a_card_of_another_hand_is_turned_upright(flip):
    patterns = card_of(1)
    reading = read_card(draw(patterns, Look(flip=flip), 150, 1, TEXT), backs="read")
    assert np.array_equal(reading.patterns, patterns)
    assert not reading.needs_person
