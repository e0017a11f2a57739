"""Write drawings as PDF: a page each, every hole an outline, every text a text."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import singledispatchmethod
from pathlib import Path
from typing import Any, Final

from deckwright.report.drawing.lettering import (
    REPORTLAB,
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

POINT: Final = 0.072
"""Points (1/72 inch) of a thousandth of an inch."""


def to_pdf(
    scenes: Sequence[Scene], *, title: str = "", font: Path | None = None, ink: str = "#000000"
) -> bytes:
    """Return drawings as one PDF, a page each; the same drawings give the same bytes.

    Args:
        scenes: the drawings; each page is as large as its drawing.
        title: of the document.
        font: a TrueType file; None: the one that comes with the library.
        ink: colour of the page's text.

    Raises:
        NoDrawingLibraryError: reportlab is not installed.
    """
    try:
        from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 # heavy, and an extra
    except ImportError as error:
        raise NoDrawingLibraryError(REPORTLAB) from error
    face = load_face(font)
    _register(face)
    out = io.BytesIO()
    canvas = Canvas(out, invariant=1, pageCompression=1, initialFontName=_name(face, bold=False))
    canvas.setTitle(title)
    canvas.setCreator("deckwright")
    canvas.setProducer("deckwright")
    for scene in scenes:
        canvas.setPageSize((scene.width * POINT, scene.height * POINT))
        # units of the drawing, but the second axis still runs up the page
        canvas.transform(
            POINT, 0, 0, POINT, -scene.left * POINT, (scene.top + scene.height) * POINT
        )
        pen = _Pen(canvas, face, ink)
        if scene.paper:
            canvas.setFillColor(scene.paper)
            canvas.rect(scene.left, -scene.top - scene.height, scene.width, scene.height, 0, 1)
        for shape in scene.shapes:
            pen.draw(shape)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


class _Pen:
    """Draws shapes on a page whose second axis runs up."""

    def __init__(self, canvas: Any, face: Face, ink: str) -> None:
        self.canvas, self.face, self.ink = canvas, face, ink

    @singledispatchmethod
    def draw(self, shape: Shape) -> None:
        """Draw a shape."""
        raise TypeError(shape)

    @draw.register
    def _area(self, area: Area) -> None:
        for outline in area.outlines:
            if area.hatch:
                self.canvas.saveState()
                self.canvas.clipPath(self._path([outline], close=True), stroke=0, fill=0)
                self._stroke([*hatching(outline)], area.hatch, HATCH_WIDTH)
                self.canvas.restoreState()
        path = self._path(area.outlines, close=True)
        if area.fill:
            self.canvas.setFillColor(area.fill)
        if area.edge:
            self.canvas.setStrokeColor(area.edge)
            self.canvas.setLineWidth(area.edge_width)
        self.canvas.drawPath(path, stroke=int(bool(area.edge)), fill=int(bool(area.fill)))

    @draw.register
    def _bars(self, bars: Bars) -> None:
        path = self.canvas.beginPath()
        for down, along in bars.rows:
            for middle in along:
                left, low = middle - bars.width / 2, -down - bars.height / 2
                path.rect(left, low, bars.width, bars.height)
        self.canvas.setFillColor(bars.ink)
        self.canvas.drawPath(path, stroke=0, fill=1)

    @draw.register
    def _grid(self, grid: Grid) -> None:
        self.draw(grid.bars())

    @draw.register
    def _lines(self, lines: Lines) -> None:
        ink = self._colour(lines.ink)
        if not lines.radius:
            self._stroke(lines.runs, ink, lines.width)
            return
        self.canvas.setStrokeColor(ink)
        self.canvas.setLineWidth(lines.width)
        for along, down in lines.runs[0]:
            self.canvas.circle(along, -down, lines.radius, stroke=1, fill=0)

    @draw.register
    def _words(self, words: Words) -> None:
        length = self._length(words.size, bold=words.bold)
        for along, down, move, piece in self.face.set_words(words, length):
            self.canvas.saveState()
            self.canvas.translate(along, -down)
            if words.upwards:
                self.canvas.rotate(90)
            self._piece(piece, (move, 0), words.size, words.ink, bold=words.bold)
            self.canvas.restoreState()

    @draw.register
    def _letters(self, letters: Letters) -> None:
        length = self._length(letters.size, bold=False)
        for left, piece, narrow in self.face.set_letters(letters, length):
            self._piece(piece, (left, letters.base), letters.size, letters.ink, narrow=narrow)

    @draw.register
    def _group(self, group: Group) -> None:
        self.canvas.saveState()
        self.canvas.transform(group.scale, 0, 0, group.scale, group.move[0], -group.move[1])
        for shape in group.shapes:
            self.draw(shape)
        self.canvas.restoreState()

    def _colour(self, ink: str) -> str:
        return self.ink if ink == PAGE_INK else ink

    def _length(self, size: float, *, bold: bool) -> Callable[[str], float]:
        from reportlab.pdfbase.pdfmetrics import stringWidth  # noqa: PLC0415 # as above

        name = _name(self.face, bold=bold)
        return lambda text: float(stringWidth(text, name, size))

    def _path(self, runs: Sequence[Sequence[Point]], *, close: bool) -> Any:
        path = self.canvas.beginPath()
        for run in runs:
            path.moveTo(run[0][0], -run[0][1])
            for along, down in run[1:]:
                path.lineTo(along, -down)
            if close:
                path.close()
        return path

    def _stroke(self, runs: Sequence[Sequence[Point]], ink: str, width: float) -> None:
        self.canvas.setStrokeColor(ink)
        self.canvas.setLineWidth(width)
        self.canvas.drawPath(self._path(runs, close=False), stroke=1, fill=0)

    def _piece(
        self,
        piece: str | Sequence[Sequence[Point]],
        point: Point,
        size: float,
        ink: str,
        *,
        bold: bool = False,
        narrow: float = 1,
    ) -> None:
        if not isinstance(piece, str):
            runs = [[(point[0] + x, point[1] + y) for x, y in run] for run in piece]
            self._stroke(runs, self._colour(ink), SIGN_LINE * size)
            return
        text = self.canvas.beginText(point[0], -point[1])
        text.setFont(_name(self.face, bold=bold), size)
        text.setFillColor(self._colour(ink))
        text.setHorizScale(100 * narrow)
        text.textOut(piece)
        self.canvas.drawText(text)


def _name(face: Face, *, bold: bool) -> str:
    return (face.bold if bold else face.regular).stem + (f"-{len(face.known)}" if bold else "")


def _register(face: Face) -> None:
    from reportlab.pdfbase import pdfmetrics, ttfonts  # noqa: PLC0415 # as above

    for bold, path in ((False, face.regular), (True, face.bold)):
        pdfmetrics.registerFont(ttfonts.TTFont(_name(face, bold=bold), str(path)))
