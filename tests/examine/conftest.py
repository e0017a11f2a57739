"""What the tests of `examine` share: decks with planted fields."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from deckwright.demo.files import DemoFiles, write_demo
from deckwright.examine.deck import examine
from deckwright.examine.model import Examination
from deckwright.layout.checkdigits import check_characters

Bytes = np.ndarray


def digits(values: Bytes, width: int) -> Bytes:
    """Return numbers (n) as digits (n, width)."""
    powers = 10 ** np.arange(width - 1, -1, -1, dtype=np.int64)
    return (values[:, None] // powers % 10 + 48).astype(np.uint8)


def blank_cards(count: int, width: int = 80) -> Bytes:
    """Return blank cards."""
    return np.full((count, width), 32, np.uint8)


def put(cards: Bytes, first: int, cells: Bytes) -> None:
    """Write cells (n, w) into cards from a column (from 1) on."""
    cards[:, first - 1 : first - 1 + cells.shape[1]] = cells


def days(random: np.random.Generator, count: int, form: str) -> Bytes:
    """Return days of 1950 to 1969 in a form."""
    chosen = np.datetime64("1950-01-01") + random.integers(0, 7300, count)
    texts = [day.item().strftime(form) for day in chosen]
    return np.array([list(text.encode()) for text in texts], np.uint8)


def checked(random: np.random.Generator, count: int, width: int, scheme: str, weights=()) -> Bytes:
    """Return numbers (n, width) whose last digit is a check digit."""
    numbers = digits(random.integers(0, 10 ** (width - 1), 2 * count + 50), width - 1)
    last, issued = check_characters(scheme, numbers, weights)
    return np.concatenate([numbers, last], axis=1)[issued][:count]


def text_deck(cards: Bytes) -> bytes:
    """Return cards as lines of text."""
    ends = np.full((len(cards), 1), 10, np.uint8)
    return np.concatenate([cards, ends], axis=1).tobytes()


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoFiles:
    """Return the demo decks."""
    return write_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="session")
def january(demo: DemoFiles) -> Examination:
    """Return the demo deck of January, examined."""
    return examine([demo.decks[0]])


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Return a writer of decks."""

    def written(data: bytes, name: str = "strange.dck") -> Path:
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return written


@pytest.fixture(scope="session")
def planted() -> Callable[..., Bytes]:
    """Return a maker of decks of one layout.

    Columns: 1-6 number with check digit (mod11, weights 2 to 6), 7-12 day DDMMYY, 13-17 signed
    number, 18-22 blank-led number, 25 N or S, 30-44 a name, 73-80 serial by 10.
    """

    def made(count: int, seed: int = 1) -> Bytes:
        random = np.random.default_rng(seed)
        cards = blank_cards(count)
        put(cards, 1, checked(random, count, 6, "mod11", (2, 3, 4, 5, 6)))
        put(cards, 7, days(random, count, "%d%m%y"))
        signed = digits(np.minimum(random.geometric(0.002, count), 99_999), 5)
        zones = np.array([list(b"{ABCDEFGHI"), list(b"}JKLMNOPQR")], np.uint8)
        signed[:, 4] = zones[(random.random(count) < 0.3).astype(int), signed[:, 4] - 48]
        put(cards, 13, signed)
        led = digits(np.minimum(random.geometric(0.0001, count), 99_999), 5)
        led[np.logical_and.accumulate(led == 48, axis=1) & (np.arange(5) < 4)] = 32
        put(cards, 18, led)
        cards[:, 24] = np.where(random.random(count) < 0.5, ord("N"), ord("S"))
        parts = ["HIGH", "LITTLE", "UPPER", "NEW", "BROAD", "ASH", "WOLD", "PELL", "SKEIN"]
        parts += ["TENOAK", "MARGO", "FEN"]
        chosen = random.integers(0, len(parts), (count, 2))
        names = [f"{parts[a]} {parts[b]}" if a != b else parts[a] for a, b in chosen]
        put(cards, 30, np.array([list(name.ljust(15)[:15].encode()) for name in names], np.uint8))
        put(cards, 73, digits(10 * np.arange(1, count + 1), 8))
        return cards

    return made
