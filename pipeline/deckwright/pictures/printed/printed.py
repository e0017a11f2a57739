"""The printed line along a card's top edge: a second opinion that can only lower confidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.cards.holes import pattern_of, spread_rows
from deckwright.pictures.card.geometry import (
    CARD_WIDTH,
    COLUMN_PITCH,
    COLUMNS,
    CUT_ALONG,
    CUT_DOWN,
    INCH,
    column_centres,
)
from deckwright.pictures.printed import recogniser
from deckwright.pictures.printed.lookalikes import BLANK, alike
from deckwright.pictures.reader.reading import CardReading
from deckwright.pictures.show.cutouts import printed_line

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]
Columns = NDArray[np.bool_]
Places = NDArray[np.bool_]

_SCALE: Final = recogniser.PPI / INCH
_TOP, _BOTTOM = 0.5, 4.2  # mm, between the edge of the card and the highest hole of row 12
_PAPER: Final = 4.0  # mm: a patch of paper as seen at its lightest, wider than a character
_SOFT: Final = 0.06  # mm
_LEAST_CONTRAST: Final = 0.12  # of the paper's light
_LEAST, _MOST = 0.02, 0.6  # share of a cell that a character covers
_FEWEST: Final = 3  # characters that make a line
_OFF: Final = 0.3  # of the pitch, beyond which characters do not stand above their columns
_STEADY: Final = 0.15
_AGREEING: Final = 2 / 3
_TAKEN_FOR_LETTERS: Final = "&/@#%(?"
_UNDEFINED: Final = "\ufffd"
_RIM: Final = 0.15  # mm
_SOMETHING_ELSE: Final = "the printed line mostly says something else than the holes"
_NOT_ABOVE: Final = "the printed characters do not stand one above each column"

# letters and digits, the same in every code: zone and digit rows, ANSI X3.26-1980 from memory
_HOLES: Final = {
    BLANK: 0,
    **{str(digit): pattern_of([digit]) for digit in range(10)},
    **{letter: pattern_of([12, place]) for place, letter in enumerate("ABCDEFGHI", 1)},
    **{letter: pattern_of([11, place]) for place, letter in enumerate("JKLMNOPQR", 1)},
    **{letter: pattern_of([0, place]) for place, letter in enumerate("STUVWXYZ", 2)},
}


@dataclass(frozen=True, slots=True, eq=False)
class PrintedOpinion:
    """What the printed line of a card says of its holes.

    Attributes:
        strip: uint8, the strip along the top edge, upright and flat, with the channels of the
            picture; None if no line of characters is there.
        seen: 80 characters, blank where none was surely recognised; "" if none was looked at.
        doubtful: bool (80), decided columns that the line speaks against.
        why: why nothing was recognised, one sentence; "" else.
    """

    strip: Picture | None
    seen: str
    doubtful: Columns
    why: str = ""

    def unsure_places(self, reading: CardReading) -> Places:
        """Return bool (12, 80), what the reading or the line leaves unsure; never less than before.

        In a doubted column that is the place which would have to be otherwise for the character
        seen. A card that is bad as a whole stays so.
        """
        otherwise = np.where(self.doubtful, _holes(self.seen) ^ reading.patterns, 0)
        return np.asarray(reading.unsure | spread_rows(otherwise.astype(np.uint16)).T)


def compare_print(
    image: Picture, reading: CardReading, text: str, *, recognise: bool
) -> PrintedOpinion:
    """Return what the line above the holes says of their reading.

    Args:
        image: uint8 (h, w) or (h, w, 3), the picture that was read.
        reading: of that picture.
        text: the 80 characters as punched.
        recognise: whether the characters are recognised, else the strip is only cut out.

    A recogniser that is missing, fails or takes too long says nothing, and `why` tells so.
    """
    nothing = np.zeros(COLUMNS, np.bool_)
    if reading.mapping is None:
        return PrintedOpinion(None, "", nothing)
    line = clean_line(printed_line(image, reading.mapping, recogniser.PPI))
    if not has_line(line):
        return PrintedOpinion(None, "", nothing)
    strip = printed_line(image, reading.mapping)
    if not recognise:
        return PrintedOpinion(strip, "", nothing)
    program = recogniser.find_recogniser()
    if program is None:
        return PrintedOpinion(strip, "", nothing, "there is no program to recognise print")
    try:
        seen = _seen(line, reading.patterns, text, program)
    except recogniser.RecogniserError as error:
        return PrintedOpinion(strip, "", nothing, str(error))
    doubtful = second_opinion(reading.patterns, text, seen) & reading.decided
    return PrintedOpinion(strip, seen, doubtful)


def second_opinion(patterns: NDArray[np.uint16], text: str, seen: str) -> Columns:
    """Return bool (80), the columns where what was seen in print speaks against the holes.

    A column is doubted where a letter or digit was seen that is not, and does not look like, the
    character punched, and whose holes are one more or one less than those read. That is what a
    wrong hole does; print that is misread hardly ever looks so. Some signs and accented letters are
    not doubted, since recognisers take those for letters that are one hole apart, nor is any column
    of a line that mostly says something else, because then it was not printed from these holes.

    Args:
        patterns: uint16 (80), the holes as read.
        text: the characters as punched; what is shorter than 80 is filled with blanks.
        seen: the characters recognised, blank where none was.
    """
    punched, printed = _line_of(text), _line_of(seen)
    if _says_something_else(punched, printed):
        return np.zeros(COLUMNS, np.bool_)
    holes = _holes(printed)
    apart = np.bitwise_count(holes ^ patterns)
    possible = np.array([_can_be_doubted(here) for here in punched], np.bool_)
    return np.asarray(_differing(punched, printed) & (holes > 0) & (apart == 1) & possible)


def _holes(printed: str) -> NDArray[np.uint16]:
    """Return uint16 (80), the holes of letters and digits; none for all else."""
    return np.array([_HOLES.get(sign, 0) for sign in _line_of(printed)], np.uint16)


def _can_be_doubted(punched: str) -> bool:
    """Return whether it means something that a letter or digit is seen where this is punched."""
    if punched == _UNDEFINED or not punched.isprintable():
        return True
    return punched.isascii() and punched not in _TAKEN_FOR_LETTERS


def _differing(punched: str, printed: str) -> Columns:
    pairs = zip(punched, printed, strict=True)
    return np.array([there != BLANK and not alike(here, there) for here, there in pairs], np.bool_)


def clean_line(strip: Picture) -> Picture:
    """Return a strip cut out at `recogniser.PPI` as dark characters on white, uint8 (h, w).

    Paper of any colour and light becomes white, and what lies beside the cut corners is left out.
    """
    dark = strip if strip.ndim == 2 else strip.min(axis=2)  # noqa: PLR2004 # grey
    dark = dark[round(_TOP * _SCALE) : round(_BOTTOM * _SCALE)].copy()
    corners = _corners(dark.shape)
    dark[corners] = np.median(dark)
    reach = round(_PAPER * _SCALE) | 1
    light = cv2.morphologyEx(dark, cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    paper = np.maximum(cv2.GaussianBlur(light, (0, 0), reach / 4).astype(np.float64), 1)
    level = cv2.GaussianBlur(dark.astype(np.float64) / paper, (0, 0), _SOFT * _SCALE)
    # paper is most of the strip; what differs from it by no more than its grain does is paper
    usual = float(np.median(level))
    white = usual - 3 * float(np.median(np.abs(level - usual)))
    black = min(float(np.percentile(level, 1)), white - _LEAST_CONTRAST)
    level[corners] = 1
    return np.asarray(np.clip((level - black) / (white - black), 0, 1) * 255, np.uint8)


def has_line(line: Picture) -> bool:
    """Return whether a cleaned strip holds characters: ink in some cells, not too much of it."""
    share = _ink_share(line)
    return bool(((share > _LEAST) & (share < _MOST)).sum() >= _FEWEST)


def _ink_share(line: Picture, offset: float = 0.0) -> Floats:
    """Return float64 (80), the share of ink in the cell of each column."""
    ink = np.pad((line < 128).mean(axis=0), (1, 0)).cumsum()  # noqa: PLR2004 # half way
    edges = (column_centres()[:, None] + offset + [-COLUMN_PITCH / 2, COLUMN_PITCH / 2]) * _SCALE
    left, right = np.clip(np.round(edges), 0, line.shape[1]).astype(int).T
    return np.asarray((ink[right] - ink[left]) / np.maximum(right - left, 1), np.float64)


def _corners(shape: tuple[int, ...]) -> Columns:
    """Return bool (h, w), what lies beyond a cut corner, at the left or at the right."""
    down, along = np.indices(shape) / _SCALE
    reach = CUT_ALONG * (1 - (down + _TOP) / CUT_DOWN) + _RIM
    return np.asarray((along < reach) | (CARD_WIDTH - along < reach))


def _offset(line: Picture) -> float | None:
    """Return how far the characters stand to the right of their columns in mm.

    None if they do not stand one above each column.
    """
    # where there is any ink at all: characters differ in where most of theirs is
    ink = (line < 128).sum(axis=0) > 1  # noqa: PLR2004 # half way
    along = (np.arange(line.shape[1]) + 0.5) / _SCALE
    turns = np.exp(2j * np.pi * (along - column_centres()[0]) / COLUMN_PITCH)
    mean = complex((ink * turns).sum() / max(ink.sum(), 1))
    off = float(np.angle(mean) / (2 * np.pi))
    return None if abs(mean) < _STEADY or abs(off) > _OFF else off * COLUMN_PITCH


def _seen(line: Picture, patterns: NDArray[np.uint16], text: str, program: str) -> str:
    """Return what was recognised.

    What agrees with the holes needs one look; what speaks against them has to stand in all.
    """
    offset = _offset(line)
    if offset is None:
        raise recogniser.RecogniserError(_NOT_ABOVE)
    inked = _ink_share(line, offset) > _LEAST
    looks = (
        _where(inked, recogniser.recognise(line, look, program, offset))
        for look in recogniser.LOOKS
    )
    seen = next(looks)
    if _says_something_else(_line_of(text), seen):
        raise recogniser.RecogniserError(_SOMETHING_ELSE)
    while second_opinion(patterns, text, seen).any():
        again = next(looks, None)
        if again is None:
            return seen
        same = [one == other for one, other in zip(seen, again, strict=True)]
        seen = _where(~_differing(_line_of(text), seen) | np.array(same, np.bool_), seen)
    return _where(~_differing(_line_of(text), seen), seen)


def _says_something_else(punched: str, printed: str) -> bool:
    compared = sum(sign != BLANK for sign in printed)
    return bool(_differing(punched, printed).sum() > (1 - _AGREEING) * compared)


def _where(kept: Columns, seen: str) -> str:
    return "".join(sign if keep else BLANK for sign, keep in zip(seen, kept, strict=True))


def _line_of(text: str) -> str:
    """Return 80 capitals; a letter that has two capitals stays as it is."""
    line = text.ljust(COLUMNS)[:COLUMNS]
    return "".join(sign.upper() if len(sign.upper()) == 1 else sign for sign in line)
