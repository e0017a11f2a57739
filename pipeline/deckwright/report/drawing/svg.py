"""Write a drawing as SVG, as short as can be: a control sheet holds many."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache, singledispatchmethod
from html import escape
from itertools import pairwise

from deckwright.report.drawing.scene import (
    HATCH,
    HATCH_WIDTH,
    MILLIMETRES,
    Area,
    Bars,
    Grid,
    Group,
    Letters,
    Lines,
    Run,
    Scene,
    Shape,
    Words,
    every,
)

MONO = "ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace"
SANS = "system-ui,'DejaVu Sans',Verdana,sans-serif"


def to_svg(scene: Scene, ident: str = "card") -> str:
    """Return a drawing as one SVG element of true size.

    Args:
        scene: the drawing.
        ident: prefix of the ids in it, different for each drawing on a page.
    """
    return "".join(_Writer(ident).lines(scene))


class _Writer:
    def __init__(self, ident: str) -> None:
        self.ident = ident

    def lines(self, scene: Scene) -> Iterator[str]:
        wide, high = scene.width, scene.height
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" '
            f'viewBox="{_n(scene.left)} {_n(scene.top)} {_n(wide)} {_n(high)}" '
            f'width="{wide * MILLIMETRES:.3f}mm" height="{high * MILLIMETRES:.3f}mm">'
        )
        yield f"<title>{escape(scene.title)}</title>" if scene.title else ""
        yield from self._defs(scene)
        if scene.paper:
            ground = f'x="{_n(scene.left)}" y="{_n(scene.top)}" width="{_n(wide)}"'
            yield f'<rect {ground} height="{_n(high)}" fill="{scene.paper}"/>'
        for shape in scene.shapes:
            yield self.write(shape)
        yield "</svg>"

    def _defs(self, scene: Scene) -> Iterator[str]:
        found = (one.hatch for one in every(scene.shapes) if isinstance(one, Area) and one.hatch)
        for place, ink in enumerate(dict.fromkeys(found)):
            assert not place, "a drawing has one hatching"  # noqa: S101 # as its makers give it
            size = HATCH
            yield (
                f'<defs><pattern id="{self.ident}-hatch" width="{size}" height="{size}" '
                f'patternUnits="userSpaceOnUse"><path d="M-9 9L9-9M0 {size}L{size} 0'
                f'M{size - 9} {size + 9}l18-18" stroke="{ink}" stroke-width="{HATCH_WIDTH}"/>'
                "</pattern></defs>"
            )

    @singledispatchmethod
    def write(self, shape: Shape) -> str:
        """Return a shape as SVG."""
        raise TypeError(shape)

    @write.register
    def _area(self, area: Area) -> str:
        path = "".join(map(_closed, area.outlines))
        edge = f' stroke="{area.edge}" stroke-width="{_n(area.edge_width)}"' if area.edge else ""
        if not area.hatch:
            return f'<path d="{path}" fill="{area.fill or "none"}"{edge}/>'
        filled = f'<path d="{path}" fill="{area.fill}"/>' if area.fill else ""
        return f'{filled}<path d="{path}" fill="url(#{self.ident}-hatch)"{edge}/>'

    @write.register
    def _bars(self, bars: Bars) -> str:
        """Return bars as one path: for each row a broken line as thick as a bar is high."""
        path = "".join("".join(_row(bars, down, along)) for down, along in bars.rows if along)
        style = f'fill="none" stroke="{bars.ink}" stroke-width="{_n(bars.height)}"'
        return f'<path d="{path}" {style}/>' if path else ""

    @write.register
    def _grid(self, grid: Grid) -> str:
        left = grid.first[0] - grid.width / 2
        reach = (grid.columns - 1) * grid.pitch[0] + grid.width
        downs = (grid.first[1] + place * grid.pitch[1] for place in range(grid.rows))
        path = "".join(f"M{_n(left)} {_n(down)}h{_n(reach)}" for down in downs)
        return (
            f'<path d="{path}" stroke="{grid.ink}" stroke-width="{_n(grid.height)}" '
            f'stroke-dasharray="{_n(grid.width)} {_n(grid.pitch[0] - grid.width)}"/>'
        )

    @write.register
    def _lines(self, lines: Lines) -> str:
        style = f'fill="none" stroke="{lines.ink}" stroke-width="{_n(lines.width)}"'
        if lines.radius:
            return "".join(
                f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(lines.radius)}" {style}/>'
                for x, y in lines.runs[0]
            )
        return f'<path d="{"".join(map(_open, lines.runs))}" {style}/>'

    @write.register
    def _words(self, words: Words) -> str:
        return _texts(words)

    @write.register
    def _letters(self, letters: Letters) -> str:
        at = " ".join(map(_n, letters.middles))
        return (
            f'<text x="{at}" y="{_n(letters.base)}" text-anchor="middle" font-family="{MONO}" '
            f'font-size="{_n(letters.size)}" fill="{letters.ink}">'
            f"{escape(letters.letters, quote=False)}</text>"
        )

    @write.register
    def _group(self, group: Group) -> str:
        scale = "" if group.scale == 1 else f" scale({group.scale:.6g})"
        inside = "".join(map(self.write, group.shapes))
        moved = f"translate({_n(group.move[0])} {_n(group.move[1])}){scale}"
        return f'<g transform="{moved}">{inside}</g>'


@lru_cache(maxsize=64)  # names of rows and columns are the same on every card
def _texts(words: Words) -> str:
    style = f'font-family="{SANS}" font-size="{_n(words.size)}"'
    style += ' font-weight="bold"' if words.bold else ""
    style += "" if words.anchor == "start" else f' text-anchor="{words.anchor}"'
    style += f' fill="{words.ink}"'
    places = [_place(words, x, y) for x, y, _ in words.items]
    texts = [escape(text, quote=False) for _, _, text in words.items]
    if len(texts) == 1:
        return f"<text {places[0]} {style}>{texts[0]}</text>"
    pairs = zip(places, texts, strict=True)
    return f"<g {style}>{''.join(f'<text {at}>{text}</text>' for at, text in pairs)}</g>"


def _n(number: float) -> str:
    """Return a number without a needless point."""
    if isinstance(number, int):
        return str(number)
    return f"{number:.2f}".rstrip("0").rstrip(".")


def _closed(outline: Run) -> str:
    path = [f"M{_n(outline[0][0])} {_n(outline[0][1])}"]
    for (x, y), (next_x, next_y) in pairwise(outline):
        if y == next_y:
            path.append(f"h{_n(next_x - x)}")
        elif x == next_x:
            path.append(f"v{_n(next_y - y)}")
        else:
            path.append(f"L{_n(next_x)} {_n(next_y)}")
    return "".join([*path, "z"])


def _open(run: Run) -> str:
    return _closed(run)[:-1]


def _row(bars: Bars, down: float, along: tuple[float, ...]) -> Iterator[str]:
    wide = _n(bars.width)
    yield f"M{_n(along[0] - bars.width / 2)} {_n(down)}h{wide}"
    for before, middle in pairwise(along):
        yield f"m{_n(middle - before - bars.width)} 0h{wide}"


def _place(words: Words, along: float, down: float) -> str:
    if words.upwards:
        return f'transform="translate({_n(along)} {_n(down)}) rotate(-90)"'
    return f'x="{_n(along)}" y="{_n(down)}"'
