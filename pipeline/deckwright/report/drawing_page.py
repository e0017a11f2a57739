"""The page of all returned cards of a run, small, beside the control sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.report.drawing import (
    COLUMN_PITCH,
    COLUMNS,
    CUT_ALONG,
    CUT_DOWN,
    EDGE,
    FIRST_COLUMN,
    FIRST_ROW,
    HATCHED,
    HEIGHT,
    HOLE_HEIGHT,
    HOLE_WIDTH,
    INK,
    MARK,
    PAPER,
    ROW_PITCH,
    ROWS,
    WIDTH,
    column_centre,
    where,
)
from deckwright.report.figures import EDGE as TICKS
from deckwright.report.figures import plain, record_rows
from deckwright.report.model import CardLine, Mark
from deckwright.report.style import STYLE
from deckwright.wording import plural

MOST_SHOWN: Final = 400
"""Cards that the page shows at most."""

_MORE_STYLE = """
.cards{display:grid;grid-template-columns:repeat(3,1fr);gap:12px 14px;margin:16px 0}
.cards figure{margin:0;font-size:12.5px;line-height:1.3}
.cards figure.wide{grid-column:1/-1}
header a{color:var(--accent)}
.cards figcaption{margin:2px 0 0}.cards p{margin:0;color:var(--soft)}
@media print{.cards{gap:3mm 4mm}.cards figure{font-size:7.4pt}.cards figure svg{max-width:none}}
@media (max-width:640px){.cards{grid-template-columns:1fr}}
"""
_MOST_FAULTS = 3

# holes are drawn in columns and rows, which keeps a card at some 1,000 bytes
_SCALED = f"matrix({COLUMN_PITCH} 0 0 {ROW_PITCH} {FIRST_COLUMN - HOLE_WIDTH / 2} {FIRST_ROW})"
_HOLE = [f"M{column} {row}h.632" for row in range(len(ROWS)) for column in range(COLUMNS)]
_CARD = f"M{CUT_ALONG} 0H{WIDTH}V{HEIGHT}H0V{CUT_DOWN}z"
_DEFS = (
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><pattern id="hatch" '
    'width="160" height="160" patternUnits="userSpaceOnUse"><path d="M-20 20L20-20M0 160L160 0'
    f'M140 180l40-40" stroke="{HATCHED}" stroke-width="42"/></pattern></svg>'
)


def returned_page(title: str, cards: Sequence[CardLine], returned: int) -> str:
    """Return the page as HTML that needs no other file and no script.

    Args:
        title: of the job.
        cards: the first returned cards.
        returned: how many cards came back in all.
    """
    seen = cards[:MOST_SHOWN]
    words = "All" if len(seen) == returned else f"The first {len(seen):,} of"
    rest = (
        "" if len(seen) == returned else
        " The others are in the folder <code>returned</code>; the command <code>deckwright draw"
        "</code> draws any of them."
    )  # fmt: skip
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f"<title>Returned cards: {plain(title)}</title>\n<style>{STYLE}{_MORE_STYLE}</style>"
        f'</head>\n<body>\n<header><p class="kicker">Returned cards</p><h1>{plain(title)}</h1>'
        f'<p class="soft">{words} {plural(returned, "returned card")}, in the order of their '
        f'numbers; hatched columns are at fault.{rest} <a href="control.html">The control '
        f'sheet</a></p>{TICKS}</header>\n{_DEFS}\n<div class="cards">\n'
        f"{''.join(map(_figure, seen))}</div>\n</body>\n</html>\n"
    )


def _figure(card: CardLine) -> str:
    caption = f"<figcaption>{plain(card.full_name)}</figcaption>"
    if card.patterns is None:
        rows = record_rows(card.text, card.marks)
        return f'<figure class="wide">{caption}{rows}</figure>\n'
    return f"<figure>{_small(card.patterns, card.marks)}{caption}{_faults(card.marks)}</figure>\n"


def _faults(marks: Sequence[Mark]) -> str:
    said = "".join(f"<p>{where(mark)}: {plain(mark[2])}</p>" for mark in marks[:_MOST_FAULTS])
    more = len(marks) - _MOST_FAULTS
    return said + (f"<p>and {plural(more, 'reason')} more</p>" if more > 0 else "")


def _small(patterns: NDArray[np.uint16], marks: Sequence[Mark]) -> str:
    bits = np.uint16(0x800) >> np.arange(len(ROWS), dtype=np.uint16)
    places = np.flatnonzero((patterns[None, :] & bits[:, None]) != 0).tolist()
    holes = "".join([_HOLE[place] for place in places])
    return (
        f'<svg viewBox="-20 -20 {WIDTH + 40} {HEIGHT + 40}" aria-hidden="true">'
        f'<path d="{_CARD}" fill="{PAPER}" stroke="{EDGE}" stroke-width="20"/>{_bands(marks)}'
        f'<path d="{holes}" transform="{_SCALED}" stroke="{INK}" '
        f'stroke-width="{HOLE_HEIGHT / ROW_PITCH}"/></svg>'
    )


def _bands(marks: Sequence[Mark]) -> str:
    return "".join(_band_paths(marks))


def _band_paths(marks: Sequence[Mark]) -> Iterator[str]:
    for first, last in dict.fromkeys((mark[0], min(mark[1], COLUMNS)) for mark in marks):
        if 0 < first <= COLUMNS:
            wide = (last - first + 1) * COLUMN_PITCH
            left = column_centre(first) - COLUMN_PITCH / 2
            yield (
                f'<path d="M{left} 125h{wide}v3000h-{wide}z" fill="url(#hatch)" '
                f'stroke="{MARK}" stroke-width="20"/>'
            )
