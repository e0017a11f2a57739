"""Write a drawing as PNG: any number of pixels per inch, and a file that prints at true size."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from functools import lru_cache, singledispatchmethod
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from deckwright.errors import DeckwrightError
from deckwright.report.drawing.lettering import (
    PILLOW,
    SIGN_LINE,
    Face,
    NoDrawingLibraryError,
    load_face,
)
from deckwright.report.drawing.scene import (
    HATCH_WIDTH,
    PAGE_INK,
    Area,
    Bars,
    Grid,
    Group,
    Letters,
    Lines,
    Point,
    Scene,
    Shape,
    Words,
    hatching,
)

MOST_PIXELS: Final = 200_000_000
"""Pixels of one picture at most."""

_FINER: Final = 4  # each pixel is drawn as so many by so many
_STRIP: Final = 12_000_000  # of those at a time, so that memory does not grow with the picture


class TooManyPixelsError(DeckwrightError):
    """A picture would be larger than is sensible."""

    exit_code = 2

    def __init__(self, pixels: int, ppi: float) -> None:
        super().__init__(
            f"at {ppi:g} pixels per inch the picture would have {pixels:,} pixels, more than "
            f"{MOST_PIXELS:,}; choose a lower --ppi"
        )


def to_png(
    scene: Scene,
    ppi: float,
    *,
    font: Path | None = None,
    ground: str = "#ffffff",
    ink: str = "#000000",
) -> bytes:
    """Return a drawing as PNG.

    Args:
        scene: the drawing.
        ppi: pixels per inch; written into the file, so that it prints at true size.
        font: a TrueType file; None: the one that comes with the library for PDF.
        ground: colour of the paper that the drawing lies on, unless it brings its own.
        ink: colour of the page's text.

    Raises:
        NoDrawingLibraryError: Pillow or reportlab is not installed.
        TooManyPixelsError: the picture would be too large.
    """
    try:
        from PIL import Image  # noqa: PLC0415 # heavy, and an extra
    except ImportError as error:
        raise NoDrawingLibraryError(PILLOW) from error
    size = (_pixels(scene.width, ppi), _pixels(scene.height, ppi))
    if size[0] * size[1] > MOST_PIXELS:
        raise TooManyPixelsError(size[0] * size[1], ppi)
    picture = Image.new("RGB", size)
    rows = max(1, _STRIP // (size[0] * _FINER**2))
    face = load_face(font)
    for top in range(0, size[1], rows):
        high = min(rows, size[1] - top)
        strip = Image.new("RGB", (size[0] * _FINER, high * _FINER), scene.paper or ground)
        pen = _Pen(strip, face, ink, ppi / 1000 * _FINER, (scene.left, scene.top), top * _FINER)
        for shape in scene.shapes:
            pen.draw(shape)
        picture.paste(strip.reduce(_FINER), (0, top))
    out = io.BytesIO()
    picture.save(out, "PNG", dpi=(ppi, ppi), optimize=False)
    return out.getvalue()


def _pixels(reach: float, ppi: float) -> int:
    return math.ceil(round(reach * ppi / 1000, 6))


class _Pen:
    """Draws shapes on a strip of a picture.

    scale: pixels a unit. corner: what lies at the upper left of the picture. above: pixels of the
    picture above the strip, a whole number, so that strips fit together.
    """

    def __init__(
        self, picture: Any, face: Face, ink: str, scale: float, corner: Point, above: int
    ) -> None:
        from PIL import ImageDraw  # noqa: PLC0415 # as above

        self.picture, self.face, self.ink = picture, face, ink
        self.scale, self.corner, self.above = scale, corner, above
        self.paper = ImageDraw.Draw(picture)

    @singledispatchmethod
    def draw(self, shape: Shape) -> None:
        """Draw a shape."""
        raise TypeError(shape)

    @draw.register
    def _area(self, area: Area) -> None:
        for outline in area.outlines:
            if area.fill:
                self.paper.polygon([self._place(point) for point in outline], fill=area.fill)
            if area.hatch:
                for line in hatching(outline):
                    self._line(line, area.hatch, HATCH_WIDTH)
            if area.edge:
                self._line((*outline, outline[0], outline[1]), area.edge, area.edge_width)

    @draw.register
    def _bars(self, bars: Bars) -> None:
        for down, along in bars.rows:
            for middle in along:
                left, top = self._place((middle - bars.width / 2, down - bars.height / 2))
                right, low = self._place((middle + bars.width / 2, down + bars.height / 2))
                self.paper.rectangle((left, top, right - 1, low - 1), fill=bars.ink)

    @draw.register
    def _grid(self, grid: Grid) -> None:
        self.draw(grid.bars())

    @draw.register
    def _lines(self, lines: Lines) -> None:
        ink = self._colour(lines.ink)
        if not lines.radius:
            for run in lines.runs:
                self._line(run, ink, lines.width)
            return
        reach = round((lines.radius + lines.width / 2) * self.scale)
        for point in lines.runs[0]:
            x, y = self._place(point)
            wide = max(1, round(lines.width * self.scale))
            self.paper.ellipse((x - reach, y - reach, x + reach, y + reach), None, ink, wide)

    @draw.register
    def _words(self, words: Words) -> None:
        font = self._font(words.size, bold=words.bold)
        for along, down, move, piece in self.face.set_words(words, self._length(font)):
            point = (along, down - move) if words.upwards else (along + move, down)
            if isinstance(piece, str):
                self._write(piece, point, font, words.ink, upwards=words.upwards)
            else:
                self._sign(piece, point, words.ink, words.size, upwards=words.upwards)

    @draw.register
    def _letters(self, letters: Letters) -> None:
        font = self._font(letters.size, bold=False)
        for left, piece, narrow in self.face.set_letters(letters, self._length(font)):
            point = (left, letters.base)
            if isinstance(piece, str):
                self._write(piece, point, font, letters.ink, narrow)
            else:
                self._sign(piece, point, letters.ink, letters.size)

    @draw.register
    def _group(self, group: Group) -> None:
        if group.bounds is not None:
            ends = (group.move[1] + group.bounds[at] * group.scale for at in (1, 3))
            top, low = (self._place((0, end))[1] for end in ends)
            if low < 0 or top > self.picture.height:
                return
        along, down = ((self.corner[at] - group.move[at]) / group.scale for at in (0, 1))
        scale = self.scale * group.scale
        pen = _Pen(self.picture, self.face, self.ink, scale, (along, down), self.above)
        for shape in group.shapes:
            pen.draw(shape)

    def _place(self, point: Point) -> tuple[int, int]:
        """Return the pixel of a point; whole ones, since Pillow cuts off and does not round."""
        along = (point[0] - self.corner[0]) * self.scale
        return round(along), round((point[1] - self.corner[1]) * self.scale) - self.above

    def _colour(self, ink: str) -> str:
        return self.ink if ink == PAGE_INK else ink

    def _line(self, run: Sequence[Point], ink: str, width: float) -> None:
        """Draw a broken line; each stretch reaches half its thickness beyond inner corners."""
        last = len(run) - 2
        for place, (start, end) in enumerate(pairwise(run)):
            reach = math.dist(start, end)
            if not reach:
                continue
            along = ((end[0] - start[0]) / reach, (end[1] - start[1]) / reach)
            before, after = width / 2 * (place > 0), width / 2 * (place < last)
            first = (start[0] - along[0] * before, start[1] - along[1] * before)
            then = (end[0] + along[0] * after, end[1] + along[1] * after)
            across = (-along[1] * width / 2, along[0] * width / 2)
            corners = [(first, 1), (then, 1), (then, -1), (first, -1)]
            points = [(x + side * across[0], y + side * across[1]) for (x, y), side in corners]
            self.paper.polygon([self._place(point) for point in points], fill=ink)

    def _font(self, size: float, *, bold: bool) -> Any:
        return _font(self.face.bold if bold else self.face.regular, size * self.scale)

    def _length(self, font: Any) -> Callable[[str], float]:
        return lambda text: font.getlength(text) / self.scale

    def _write(
        self,
        text: str,
        point: Point,
        font: Any,
        ink: str,
        narrow: float = 1,
        *,
        upwards: bool = False,
    ) -> None:
        x, y = self._place(point)
        if narrow == 1 and not upwards:
            self.paper.text((x, y), text, fill=self._colour(ink), font=font, anchor="ls")
            return
        from PIL import Image, ImageDraw  # noqa: PLC0415 # as above

        rise, fall = font.getmetrics()
        mask = Image.new("L", (math.ceil(font.getlength(text)) + 2, rise + fall))
        ImageDraw.Draw(mask).text((0, rise), text, fill=255, font=font, anchor="ls")
        if upwards:
            mask = mask.transpose(Image.Transpose.ROTATE_90)
            corner = (x - rise, y - mask.height)
        else:
            mask = mask.resize((max(1, round(mask.width * narrow)), mask.height))
            corner = (x, y - rise)
        self.picture.paste(self._colour(ink), corner, mask)

    def _sign(
        self,
        runs: Sequence[Sequence[Point]],
        point: Point,
        ink: str,
        size: float,
        *,
        upwards: bool = False,
    ) -> None:
        for run in runs:
            turned = [(down, -along) if upwards else (along, down) for along, down in run]
            moved = [(point[0] + along, point[1] + down) for along, down in turned]
            self._line(moved, self._colour(ink), SIGN_LINE * size)


@lru_cache(maxsize=64)
def _font(path: Path, size: float) -> Any:
    from PIL import ImageFont  # noqa: PLC0415 # as above

    return ImageFont.truetype(str(path), size)
