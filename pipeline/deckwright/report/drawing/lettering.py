"""The lettering of PNG and PDF drawings: a font file, and signs that fonts seldom have as lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final, TypeAlias

from deckwright.errors import DeckwrightError
from deckwright.report.drawing.scene import Letters, Point, Run, Words

Piece: TypeAlias = str | tuple[Run, ...]
"""Letters, or the lines of a sign."""

LETTER_ROOM: Final = 0.8
"""How wide a letter of the printed line may be, in sizes of its type: a bit less than a column."""

SIGN_WIDTH: Final = 0.62
"""Room of a sign that is made of lines, in sizes of its type."""

SIGN_LINE: Final = 0.085
"""How thick its lines are."""

# runs of grid points "xy" on 4 x 6, separated by blanks; y counts down from the top; from memory
_SIGNS: Final = {
    "\u25af": "0040460600",  # stands for what cannot be printed
    "\u2311": "0141 0545 0105 4145 1130 3010 1636",  # square lozenge
    "\u2423": "05064645",
    "\u2422": "1016 13333616 0222",  # blank symbol
    "\u29fb": "0343 0105 2125 4145",  # triple plus
    "\u2bd2": "2026 0141 0343 0545",  # group mark
    "\u0394": "20460620",
    "\u03b3": "0124 4124 2426",
    "\u203e": "0040",
}


REPORTLAB, PILLOW = "reportlab", "Pillow"


class NoDrawingLibraryError(DeckwrightError):
    """A library that writes pictures is not installed."""

    exit_code = 2

    def __init__(self, name: str) -> None:
        super().__init__(
            f"PNG and PDF drawings need the library {name!r}, which is not installed; install it "
            "with pip install 'deckwright[drawing]', or draw SVG"
        )


class FontFileError(DeckwrightError):
    """A font file cannot be used."""

    exit_code = 2

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(f"font {str(path)!r} {what}; name a TrueType file (.ttf)")


@dataclass(slots=True)
class Face:
    """A typeface. known, known_bold: characters of its two fonts. missing: asked for in vain."""

    regular: Path
    bold: Path
    known: frozenset[str]
    known_bold: frozenset[str]
    missing: set[str] = field(default_factory=set)

    def pieces(
        self,
        text: str,
        size: float,
        length: Callable[[str], float],
        *,
        bold: bool = False,
    ) -> Iterator[tuple[float, Piece]]:
        """Yield pieces of a text with their distance from its start: letters, or a sign's lines.

        Args:
            text: the text.
            size: of the type.
            length: how long letters are.
            bold: whether they are bold.
        """
        known = self.known_bold if bold else self.known
        along, letters = 0.0, ""
        for character in text:
            if character in known:
                letters += character
                continue
            if letters:
                yield along, letters
                along, letters = along + length(letters), ""
            yield along, self.sign(character, size)
            along += SIGN_WIDTH * size
        if letters:
            yield along, letters

    def set_words(
        self, words: Words, length: Callable[[str], float]
    ) -> Iterator[tuple[float, float, float, Piece]]:
        """Yield the pieces of texts: where the text is anchored, how far from there, the piece.

        Args:
            words: the texts.
            length: how long letters are.
        """
        for along, down, text in words.items:
            whole = self.length(text, words.size, length, bold=words.bold)
            back = {"start": 0.0, "middle": whole / 2, "end": whole}[words.anchor]
            for start, piece in self.pieces(text, words.size, length, bold=words.bold):
                yield along, down, start - back, piece

    def set_letters(
        self, letters: Letters, length: Callable[[str], float]
    ) -> Iterator[tuple[float, Piece, float]]:
        """Yield the left edge of each letter, the letter, and how far it is narrowed."""
        narrow = min(1.0, LETTER_ROOM * letters.size / length("W"))
        for middle, letter in zip(letters.middles, letters.letters, strict=True):
            for _, piece in self.pieces(letter, letters.size, length):
                if isinstance(piece, str):
                    yield middle - length(piece) * narrow / 2, piece, narrow
                else:
                    yield middle - SIGN_WIDTH * letters.size / 2, piece, 1.0

    def length(
        self, text: str, size: float, length: Callable[[str], float], *, bold: bool = False
    ) -> float:
        """Return how long a text is, the signs in it too; arguments as for `pieces`."""
        end = 0.0
        for along, piece in self.pieces(text, size, length, bold=bold):
            end = along + (length(piece) if isinstance(piece, str) else SIGN_WIDTH * size)
        return end

    def sign(self, character: str, size: float) -> tuple[Run, ...]:
        """Return the lines of a sign that stands on (0, 0); a frame where there is none."""
        if character not in _SIGNS:
            self.missing.add(character)
        runs = _SIGNS.get(character, _SIGNS["\u25af"]).split(" ")
        return tuple(tuple(_point(run[at : at + 2], size) for at in range(0, len(run), 2))
                     for run in runs)  # fmt: skip


def _point(pair: str, size: float) -> Point:
    """Return a grid point: as high as a capital letter, a bit away from its neighbours."""
    return (0.09 + 0.11 * int(pair[0])) * size, -0.12 * (6 - int(pair[1])) * size


@lru_cache(maxsize=4)
def load_face(path: Path | None = None) -> Face:
    """Return a typeface: of a font file, or the one that comes with the library for PDF.

    Raises:
        NoDrawingLibraryError: that library is not installed.
        FontFileError: the file is no font.
    """
    if path is not None:
        known = _characters(path)
        return Face(path, path, known, known)
    found = find_spec("reportlab")
    if found is None or found.origin is None:
        raise NoDrawingLibraryError(REPORTLAB)
    folder = Path(found.origin).parent / "fonts"
    regular, bold = folder / "Vera.ttf", folder / "VeraBd.ttf"
    return Face(regular, bold, _characters(regular), _characters(bold))


def _characters(path: Path) -> frozenset[str]:
    try:
        from reportlab.pdfbase.ttfonts import TTFError, TTFontFile  # noqa: PLC0415 # heavy
    except ImportError as error:
        raise NoDrawingLibraryError(REPORTLAB) from error
    try:
        font = TTFontFile(str(path))
    except (TTFError, OSError) as error:
        raise FontFileError(path, "cannot be used") from error
    return frozenset(map(chr, font.charToGlyph))
