"""Small pieces of the control sheet: numbers, tables, marks, and records shown as text."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from deckwright.report.drawing import UNPRINTABLE
from deckwright.report.model import Mark
from deckwright.wording import plural

ROW = 80
"""Columns of one row when a long record is shown as text."""

_FIRST_SHOWN = 12

CHECK = (
    '<svg viewBox="0 0 22 22" aria-hidden="true"><circle cx="11" cy="11" r="9.6" fill="none" '
    'stroke="currentColor" stroke-width="1.8"/><path d="M6.2 11.4l3.3 3.4 6.3-7.2" fill="none" '
    'stroke="currentColor" stroke-width="2.2"/></svg>'
)
CROSS = (
    '<svg viewBox="0 0 22 22" aria-hidden="true"><path d="M11 1.6L20.8 20H1.2z" fill="none" '
    'stroke="currentColor" stroke-width="1.8"/><path d="M11 8v6.2m0 1.8v2" fill="none" '
    'stroke="currentColor" stroke-width="2.2"/></svg>'
)
LOOK_SIGN = (
    '<svg viewBox="0 0 22 22" aria-hidden="true"><path d="M1.4 11Q11-1 20.6 11 11 23 1.4 11z" '
    'fill="none" stroke="currentColor" stroke-width="1.8"/><circle cx="11" cy="11" r="3.1" '
    'fill="currentColor"/></svg>'
)
"""An eye, where the others are a ring and a triangle."""

EDGE = (
    '<svg viewBox="0 0 800 9" preserveAspectRatio="none" aria-hidden="true">'
    '<path d="{}" stroke="currentColor" stroke-width="1.6"/></svg>'
).format("".join(f"M{place * 10 + 5} {0 if place % 10 == 9 else 4}V9" for place in range(80)))  # noqa: PLR2004
"""Eighty ticks, every tenth a long one."""


def count(number: int) -> str:
    """Return a number with commas between thousands."""
    return f"{number:,}"


def equation(parts: Iterable[tuple[str, int, str]]) -> str:
    """Return counts as a line that adds up: of each the sign before it, the number, the words."""
    shown = "".join(
        (f'<div class="sign">{sign}</div>' if sign else "")
        + f'<div><span class="big">{count(number)}</span><small>{words}</small></div>'
        for sign, number, words in parts
    )
    return f'<div class="equation">{shown}</div>'


def cell(number: int) -> str:
    """Return a number as a table cell; zero stands back."""
    return '<td class="n nil">0</td>' if not number else f'<td class="n">{count(number)}</td>'


def table(
    heads: Sequence[str],
    rows: Iterable[str],
    *,
    caption: str = "",
    foot: str = "",
    numbers: Sequence[int] = (),
) -> str:
    """Return a table. heads are HTML; numbers: places (from 0) of heads over numbers."""
    head = "".join(
        f'<th scope="col"{" class=n" if place in numbers else ""}>{text}</th>'
        for place, text in enumerate(heads)
    )
    title = f"<caption>{caption}</caption>" if caption else ""
    end = f"<tfoot><tr>{foot}</tr></tfoot>" if foot else ""
    body = "".join(f"<tr>{row}</tr>\n" for row in rows)
    return (
        f'<div class="wide"><table>{title}<thead><tr>{head}</tr></thead>\n'
        f"<tbody>{body}</tbody>{end}</table></div>\n"
    )


def plain(text: str) -> str:
    """Return text for HTML, with a sign for each character that cannot be shown."""
    return escape("".join(c if c.isprintable() and c != "\ufffd" else UNPRINTABLE for c in text))


def record_rows(text: str, marks: Sequence[Mark]) -> str:
    """Return a record as rows of 80 columns, each under a ruler, faulty columns underscored."""
    rows = [_record_row(text, start, marks) for start in range(0, max(len(text), 1), ROW)]
    wanted = [row for row in rows if row[1]] or rows
    shown = rows if len(rows) <= _FIRST_SHOWN else wanted[:_FIRST_SHOWN]
    left_out = len(rows) - len(shown)
    tail = f'<p class="soft">{plural(left_out, "further row")} of this record not shown.</p>'
    body = "\n".join(lines for lines, _ in shown)
    return f"<pre>{body}</pre>{tail if left_out else ''}{_reasons(marks)}"


def _record_row(text: str, start: int, marks: Sequence[Mark]) -> tuple[str, bool]:
    """Return the lines of one row and whether it holds a faulty column."""
    part = text[start : start + ROW]
    ruler = "".join(_tick(column) for column in range(start + 1, start + len(part) + 1))
    carets = [" "] * len(part)
    for number, (first, last, _) in enumerate(marks, 1):
        for column in range(max(first, start + 1), min(last, start + len(part)) + 1):
            carets[column - start - 1] = str(number % 10)
    lines = [f"<i>{start + 1:>6} {ruler}</i>", f"       {plain(part)}"]
    under = "".join(carets).rstrip()
    if under:
        lines.append(f"       {under}")
    return "\n".join(lines), bool(under)


def _tick(column: int) -> str:
    if column % 10:
        return ":" if column % 5 == 0 else "."
    return str(column // 10 % 10)


def _reasons(marks: Sequence[Mark]) -> str:
    lines = "".join(f"<li>{plain(line)}</li>" for line in _sentences(marks))
    return f'<ol class="why">{lines}</ol>' if lines else ""


def _sentences(marks: Sequence[Mark]) -> Iterator[str]:
    for first, last, sentence in marks:
        if first <= 0:
            yield f"card: {sentence}"
        elif first == last:
            yield f"column {first:,}: {sentence}"
        else:
            yield f"columns {first:,}\u2013{last:,}: {sentence}"
