"""Damages of card pictures, each a small function with a strength from 0 to 1.

Strength 1 is the worst that a picture is meant to be read at, more may be asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    COLUMNS,
    PUNCHED_OFF,
    READABLE_OFF,
    ROWS,
)
from deckwright.pictures.simulator.cardplan import Colour, Orders, Smear
from deckwright.pictures.simulator.warp import Bend

Chance = np.random.Generator
Damage = Callable[[Orders, Chance, float], None]

PAPERS: Final[tuple[Colour, ...]] = (
    (236, 221, 184),
    (244, 238, 222),
    (243, 214, 120),
    (236, 172, 168),
    (166, 206, 172),
    (158, 190, 220),
    (222, 140, 104),
    (196, 186, 164),
)
"""Colours of card stock, invented: manila, cream, yellow, pink, green, blue, orange, grey."""

DARK: Final[tuple[Colour, ...]] = ((12, 12, 13), (30, 28, 27), (44, 48, 54), (60, 50, 42))
LIGHT: Final[tuple[Colour, ...]] = ((255, 255, 255), (251, 252, 255), (255, 255, 250))
"""Backings, invented."""


_STAINS: Final = ((0.55, 0.8, 1.0), (0.55, 0.8, 1.0), (1.0, 0.95, 0.9))


def skew(orders: Orders, chance: Chance, strength: float) -> None:
    """Turn the card by up to 5 degrees."""
    orders.skew += 5.0 * strength * _either(chance) * chance.uniform(0.7, 1.0)


def perspective(orders: Orders, chance: Chance, strength: float) -> None:
    """Look at the card from aside: up to 5 % change of scale from one side to the other."""
    orders.tilt = (
        0.05 * strength * chance.uniform(-1, 1),
        0.03 * strength * chance.uniform(-1, 1),
    )


def bow(orders: Orders, chance: Chance, strength: float) -> None:
    """Bow the long edges by up to 2 mm, the short ones less, and pinch the columns."""
    top = 2.0 * strength * _either(chance) * chance.uniform(0.6, 1.0)
    orders.bend = Bend(
        top=top,
        bottom=top * chance.uniform(0.6, 1.2),
        side=0.3 * strength * chance.uniform(-1, 1),
        pinch=0.25 * strength * chance.uniform(-1, 1),
    )


def light(orders: Orders, chance: Chance, strength: float) -> None:
    """Light the card unevenly: up to 30 % either side of the middle."""
    orders.light = (
        0.3 * strength * chance.uniform(-1, 1),
        0.2 * strength * chance.uniform(-1, 1),
        0.15 * strength * chance.uniform(-1, 1),
    )


def blur(orders: Orders, chance: Chance, strength: float) -> None:
    """Blur with a standard deviation of up to 0.3 mm."""
    orders.blur += 0.3 * strength * chance.uniform(0.7, 1.0)


def jpeg(orders: Orders, chance: Chance, strength: float) -> None:
    """Write the picture as JPEG, down to quality 25."""
    orders.quality = max(3, round(95 - 70 * strength * chance.uniform(0.8, 1.0)))


def noise(orders: Orders, chance: Chance, strength: float) -> None:
    """Add noise of up to 20 levels of 255."""
    orders.noise += 20 * strength * chance.uniform(0.7, 1.0)


def grain(orders: Orders, chance: Chance, strength: float) -> None:
    """Give the paper a texture of up to 8 levels."""
    orders.grain += 8 * strength * chance.uniform(0.5, 1.0)


def paper(orders: Orders, chance: Chance, strength: float) -> None:
    """Take another colour of stock, darker with strength."""
    colour = PAPERS[int(chance.integers(len(PAPERS)))]
    shade = 1 - 0.25 * strength * chance.random()
    red, green, blue = (round(level * shade) for level in colour)
    orders.paper = (red, green, blue)


def dark_backing(orders: Orders, chance: Chance, strength: float) -> None:
    """Lay the card on something dark, less dark with strength."""
    _lay(orders, DARK[int(chance.integers(len(DARK)))], 1 + 0.5 * strength * chance.random())


def light_backing(orders: Orders, chance: Chance, strength: float) -> None:
    """Lay the card on something light, less light with strength."""
    _lay(orders, LIGHT[int(chance.integers(len(LIGHT)))], 1 - 0.05 * strength * chance.random())


def shadow(orders: Orders, chance: Chance, strength: float) -> None:
    """Let the card throw a shadow of up to 0.35 mm on what lies behind."""
    orders.shadow = 0.15 + 0.35 * strength
    reach = 0.1 + 0.25 * strength * chance.uniform(-1, 1, 2)
    orders.shadow_reach = (float(reach[0]), float(reach[1]))


def pencil(orders: Orders, chance: Chance, strength: float) -> None:
    """Write on the card: scribbles, ticks, and places blackened as if to mark them."""
    for _ in range(1 + int(5 * strength * chance.random())):
        start = chance.uniform([8, 8], [CARD_WIDTH - 40, CARD_HEIGHT - 12])
        steps = chance.normal(0, [3.0, 2.5], (int(chance.integers(3, 12)), 2))
        steps[:, 0] += 1.5
        stroke = start + np.cumsum(steps, axis=0)
        width = chance.uniform(0.35, 0.8)
        orders.pencil.append((_inside(stroke), width, 0.3 + 0.4 * strength * chance.random()))


def stain(orders: Orders, chance: Chance, strength: float) -> None:
    """Spill something on the card."""
    for _ in range(1 + int(3 * strength * chance.random())):
        middle = chance.uniform([5, 5], [CARD_WIDTH - 5, CARD_HEIGHT - 5])
        size = chance.uniform(3, 5 + 16 * strength, 2)
        depth = 0.15 + 0.4 * strength * chance.random()
        colour = _STAINS[int(chance.integers(len(_STAINS)))]
        spread = (float(middle[0]), float(middle[1]), float(size[0]), float(size[1]))
        orders.smears.append(Smear(*spread, float(depth), colour))


def digits(orders: Orders, chance: Chance, strength: float) -> None:
    """Use stock with a digit printed at each place of rows 0 to 9, darker with strength."""
    orders.digits = 0.25 + 0.55 * strength * chance.uniform(0.6, 1.0)


def tear(orders: Orders, chance: Chance, strength: float) -> None:
    """Tear a piece out of an edge, up to 25 mm deep."""
    depth = 3 + 22 * strength * chance.uniform(0.4, 1.0)
    width = depth * chance.uniform(0.2, 0.8)
    turn = int(chance.integers(4))
    length = (CARD_WIDTH, CARD_HEIGHT)[turn % 2]
    middle = chance.uniform(20, length - 20)
    down = np.linspace(-3, depth, 9)
    across = width / 2 * (1 - np.clip(down, 0, None) / depth)
    ragged = chance.normal(0, 0.4, (2, len(down)))
    left = np.stack([middle - across + ragged[0], down], axis=-1)
    right = np.stack([middle + across + ragged[1], down], axis=-1)[::-1]
    orders.tears.append(_turned(np.concatenate([left, right]), turn))


def clipped(orders: Orders, chance: Chance, strength: float) -> None:
    """Cut the picture so that part of the card is missing, up to 10 % of a side."""
    shares = [0.0, 0.0, 0.0, 0.0]
    side = int(chance.integers(4))
    margin = orders.margin / (CARD_WIDTH if side % 2 == 0 else CARD_HEIGHT)
    shares[side] = margin + 0.01 + 0.09 * strength * chance.uniform(0.2, 1.0)
    orders.clipped = (shares[0], shares[1], shares[2], shares[3])


def fold(orders: Orders, chance: Chance, strength: float) -> None:
    """Fold a corner over the card, up to 30 mm of it."""
    along = 6 + 24 * strength * chance.uniform(0.3, 1.0)
    down = 6 + 24 * strength * chance.uniform(0.3, 1.0)
    line = np.array([[along, 0.0], [0.0, down]])
    if _either(chance) > 0:
        line[:, 0] = CARD_WIDTH - line[:, 0]
    if _either(chance) > 0:
        line[:, 1] = CARD_HEIGHT - line[:, 1]
    orders.folds.append(line)


def off_centre(orders: Orders, chance: Chance, strength: float) -> None:
    """Punch holes off their places.

    Up to strength 0.5 within the limit of punching (0.254 mm), at strength 1 at the limit of
    reading (0.4572 mm); the whole card by half of it, each hole by chance by the rest.
    """
    limit = min(strength, 0.5) * 2 * PUNCHED_OFF
    limit += max(strength - 0.5, 0) * 2 * (READABLE_OFF - PUNCHED_OFF)
    slipped = chance.uniform(-limit / 2, limit / 2, 2)
    orders.slipped = (float(slipped[0]), float(slipped[1]))
    orders.stray = chance.uniform(-limit / 2, limit / 2, (ROWS, COLUMNS, 2))


def upside_down(orders: Orders, chance: Chance, strength: float) -> None:
    """Turn the card by half a turn."""
    del chance, strength
    orders.turned = "upside down"


def back_to_front(orders: Orders, chance: Chance, strength: float) -> None:
    """Show the back of the card, upright or upside down."""
    orders.turned = "both" if chance.random() < 0.3 * strength else "back to front"


def blank(orders: Orders, chance: Chance, strength: float) -> None:
    """Leave the card without holes."""
    del chance, strength
    orders.patterns = np.zeros(COLUMNS, np.uint16)
    orders.text = ""


def banner(orders: Orders, chance: Chance, strength: float) -> None:
    """Punch big letters, each some twelve columns of many holes, to be read by eye."""
    del strength
    patterns = np.zeros(COLUMNS, np.uint16)
    for first in range(2, 68, 13):
        bars = chance.random((4, 3)) < 0.75  # noqa: PLR2004 - most bars of a letter stand
        for place in range(10):
            rows = np.repeat(bars[:, min(place // 4, 2)], 3)
            bits = 1 << np.arange(11, -1, -1)
            patterns[first + place] = int((rows * bits).sum())
    orders.patterns = patterns
    orders.text = ""


DAMAGES: Final[dict[str, Damage]] = {
    damage.__name__.replace("_", " "): damage
    for damage in (
        skew, perspective, bow, light, blur, jpeg, noise, grain, paper, dark_backing,
        light_backing, shadow, digits, pencil, stain, tear, clipped, fold, off_centre, upside_down,
        back_to_front, blank, banner,
    )
}  # fmt: skip
"""All damages by name."""


def _either(chance: Chance) -> float:
    return 1.0 if chance.random() < 0.5 else -1.0  # noqa: PLR2004


def _lay(orders: Orders, colour: Colour, shade: float) -> None:
    red, green, blue = (min(255, round(level * shade)) for level in colour)
    orders.backing = (red, green, blue)


def _inside(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.clip(points, 1.0, np.array([CARD_WIDTH - 1, CARD_HEIGHT - 1]))


def _turned(outline: NDArray[np.float64], turn: int) -> NDArray[np.float64]:
    """Move an outline at the top edge to the top, right, bottom or left edge."""
    along, down = outline[:, 0], outline[:, 1]
    placed = {
        0: (along, down),
        1: (CARD_WIDTH - down, along),
        2: (along, CARD_HEIGHT - down),
        3: (down, along),
    }[turn]
    return np.stack(placed, axis=-1)
