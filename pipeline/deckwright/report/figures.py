"""Small pieces of pages: signs, numbers, and text within drawings."""

from __future__ import annotations

from html import escape

from deckwright.report.signs import shown

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


def plain(text: str) -> str:
    """Return text for HTML, with a sign for each character that cannot be shown."""
    return escape(shown(text))
