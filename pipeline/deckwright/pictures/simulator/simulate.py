"""Simulated decks of card pictures in named conditions, with the truth beside them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import load_code
from deckwright.cards.holes import PATTERNS
from deckwright.pictures.card.geometry import COLUMNS
from deckwright.pictures.simulator.cardplan import Orders
from deckwright.pictures.simulator.damage import DAMAGES
from deckwright.pictures.simulator.paint import paint
from deckwright.wording import hyphened

NOT_A_CARD: Final = "not a card"

_USUAL: Final = {
    "paper": (0.0, 0.6),
    "skew": (0.0, 0.4),
    "light": (0.0, 0.3),
    "blur": (0.1, 0.3),
    "noise": (0.05, 0.2),
    "grain": (0.0, 0.4),
    "jpeg": (0.1, 0.4),
    "shadow": (0.0, 0.5),
    "off centre": (0.0, 0.5),
    "perspective": (0.0, 0.15),
    "bow": (0.0, 0.15),
}
_HARD: Final = {
    **_USUAL,
    "skew": (0.5, 1.0),
    "perspective": (0.2, 0.6),
    "bow": (0.2, 0.6),
    "light": (0.3, 0.8),
    "blur": (0.2, 0.5),
    "noise": (0.2, 0.5),
    "jpeg": (0.3, 0.7),
    "pencil": (0.2, 0.8),
    "stain": (0.2, 0.8),
}


def _with(*names: str, low: float = 0.3, high: float = 1.0) -> dict[str, tuple[float, float]]:
    return {**_USUAL, **dict.fromkeys(names, (low, high))}


CONDITIONS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "clean": {"off centre": (0.0, 0.3)},
    "ordinary": _USUAL,
    "skew": _with("skew", low=0.6),
    "perspective": _with("perspective"),
    "bow": _with("bow"),
    "light": _with("light"),
    "blur": _with("blur"),
    "jpeg": _with("jpeg", low=0.5),
    "noise": _with("noise"),
    "paper": _with("paper", "grain"),
    "shadow": _with("shadow", low=0.5),
    "digits": _with("digits", low=0.0),
    "pencil": _with("pencil"),
    "stain": _with("stain"),
    "off centre": _with("off centre", low=0.5),
    "upside down": _with("upside down"),
    "back to front": _with("back to front"),
    "tear": _with("tear", low=0.1),
    "clipped": _with("clipped", low=0.0),
    "fold": _with("fold", low=0.0),
    "blank": _with("blank"),
    "banner": _with("banner"),
    "all at once": _HARD,
    NOT_A_CARD: {},
}
"""Conditions by name: for each damage the range of its strength. Either backing in all."""


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedCard:
    """A picture and the truth about it.

    Attributes:
        image: uint8 (height, width, 3), red green blue.
        patterns: uint16 (80), the holes that are really there.
        condition: name of the condition.
        damages: (name, strength) of each damage.
        ppi: pixels per inch.
        backing: "dark" or "light".
        turned: "", "upside down", "back to front" or "both".
        text: the printed line.
    """

    image: NDArray[np.uint8]
    patterns: NDArray[np.uint16]
    condition: str
    damages: tuple[tuple[str, float], ...]
    ppi: float
    backing: str
    turned: str
    text: str

    def truth(self, picture: str) -> dict[str, str]:
        """Return the row of the truth file for a picture of this name, with hyphens in names."""
        return {
            "picture": picture,
            "condition": hyphened(self.condition),
            "damages": ";".join(f"{hyphened(n)}={strength:.3f}" for n, strength in self.damages),
            "ppi": f"{self.ppi:g}",
            "backing": self.backing,
            "turned": hyphened(self.turned),
            "text": self.text,
            "patterns": "".join(f"{int(pattern):03x}" for pattern in self.patterns),
        }


def simulate_card(
    patterns: NDArray[np.uint16],
    condition: str = "ordinary",
    *,
    text: str = "",
    ppi: float = 300,
    seed: int | Sequence[int] = 0,
    backing: str = "",
    strengths: dict[str, float] | None = None,
) -> SimulatedCard:
    """Return the picture of one card; the same arguments give the same picture.

    Args:
        patterns: uint16 (80), the holes of each column; row 12 is 0x800.
        condition: a name in `CONDITIONS`.
        text: printed along the top edge.
        ppi: pixels per inch.
        seed: source of chance.
        backing: "dark" or "light"; "" leaves it to chance.
        strengths: damages with a strength of their own, added to those of the condition.

    Raises:
        KeyError: no such condition or damage.
    """
    chance = np.random.default_rng(seed)
    backing = backing or ("dark", "light")[int(chance.integers(2))]
    if condition == NOT_A_CARD:
        none = np.zeros(COLUMNS, np.uint16)
        return SimulatedCard(_other(ppi, chance), none, condition, (), ppi, backing, "", "")
    damages = [
        (name, float(chance.uniform(low, high)))
        for name, (low, high) in CONDITIONS[condition].items()
        if name not in (strengths or {})
    ]
    damages += list((strengths or {}).items())
    orders = Orders(patterns.astype(np.uint16), text)
    DAMAGES[f"{backing} backing"](orders, chance, float(chance.random()))
    for name, strength in damages:
        DAMAGES[name](orders, chance, strength)
    image = paint(orders, ppi, chance)
    return SimulatedCard(
        image, orders.patterns, condition, tuple(damages), ppi, backing, orders.turned, orders.text
    )


@dataclass(frozen=True, slots=True)
class Plan:
    """How a deck of pictures is simulated.

    Attributes:
        conditions: taken in turn, card by card.
        ppi: pixels per inch.
        seed: source of chance; the same seed gives the same pictures.
        backing: "dark" or "light"; "" leaves it to chance.
        strengths: damages with a strength of their own, added to those of the condition.
    """

    conditions: tuple[str, ...] = ("ordinary",)
    ppi: float = 300
    seed: int = 0
    backing: str = ""
    strengths: dict[str, float] = field(default_factory=dict)

    def cards(
        self, deck: Iterable[tuple[NDArray[np.uint16], str]]
    ) -> Iterator[tuple[str, SimulatedCard]]:
        """Return names and pictures of cards, given by patterns (80) and printed line.

        Raises:
            KeyError: no such condition or damage.
        """
        for number, (patterns, text) in enumerate(deck):
            card = simulate_card(
                patterns,
                self.conditions[number % len(self.conditions)],
                text=text,
                ppi=self.ppi,
                seed=(self.seed, number),
                backing=self.backing,
                strengths=self.strengths,
            )
            yield f"card-{number + 1:06d}", card


def _other(ppi: float, chance: np.random.Generator) -> NDArray[np.uint8]:
    """Return a picture of something else: a page of lines, or blots on a ground."""
    height, width = round(3.6 * ppi), round(7.7 * ppi)
    ground, ink = chance.integers(0, 256, (2, 3)).tolist()
    picture = np.full((height, width, 3), ground, np.uint8)
    page = chance.random() < 0.5  # noqa: PLR2004
    for _ in range(int(chance.integers(5, 60))):
        x, y = (chance.random(2) * [width, height]).astype(int).tolist()
        size = int(chance.integers(4, height // 4))
        if page:
            cv2.rectangle(picture, (x, y), (x + 6 * size, y + size // 6 + 2), ink, -1)
        else:
            cv2.circle(picture, (x, y), size, ink, -1)
    return picture


_CHARACTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ" + "0123456789" * 3 + "      -/&.,"
_KINDS: Final = 4  # of four cards two are full of text, one holds little, one is punched by chance


def invented_cards(count: int, seed: int) -> Iterator[tuple[NDArray[np.uint16], str]]:
    """Return patterns, uint16 (80), and printed line of so many cards, the same for a seed."""
    chance = np.random.default_rng((seed, COLUMNS))
    holes = load_code("ebcdic").to_holes
    assert holes is not None  # noqa: S101 # the code has holes
    for number in range(count):
        text = "".join(chance.choice(list(_CHARACTERS), COLUMNS))
        if number % _KINDS == 2:  # noqa: PLR2004 - the third
            text = text[: int(chance.integers(1, COLUMNS // 2))].ljust(COLUMNS)
        if number % _KINDS == _KINDS - 1:
            yield chance.integers(0, PATTERNS, COLUMNS).astype(np.uint16), ""
        else:
            yield holes[np.frombuffer(text.encode("ascii"), np.uint8)].astype(np.uint16), text
