"""Layouts, cards and what a typed form must hold of them, made at random."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

PLUS, MINUS = "{ABCDEFGHI", "}JKLMNOPQR"
LETTERS = st.text("ab ,\"\\'\xe5\xdf;=|/{}", max_size=8).map(str.rstrip)


@dataclass(frozen=True)
class Column:
    """A field of a card: its kind, columns, digits after the point."""

    name: str
    kind: str
    width: int
    scale: int = 0

    def toml(self, first: int) -> str:
        """Return the field in a layout, from a column on."""
        lines = [f'name = "{self.name}"', f'columns = "{first}-{first + self.width - 1}"']
        lines.append(f'kind = "{self.kind}"')
        if self.kind == "decimal":
            lines += [f"decimals = {self.scale}", 'sign = "overpunch-right"']
        if self.kind == "whole":
            lines += ['sign = "leading"', 'fill = " "']
        if self.kind == "date":
            lines.append('form = "YYYYMMDD"')
        return "[[field]]\n" + "\n".join(lines) + "\n"

    def values(self) -> st.SearchStrategy[Any]:
        """Return values that fit; None = missing."""
        most = 10**self.width - 1
        if self.kind == "decimal":
            numbers = st.integers(-most, most).map(lambda n: Decimal(n).scaleb(-self.scale))
            return st.none() | numbers
        if self.kind == "whole":
            return st.none() | st.integers(-(most // 10), most)
        if self.kind == "date":
            return st.none() | st.dates(dt.date(1, 1, 1), dt.date(9999, 12, 31))
        return LETTERS.map(lambda text: text[: self.width].rstrip() or None)

    def punched(self, value: Any) -> str:
        """Return a value as it stands on the card."""
        if value is None:
            return " " * self.width
        if self.kind == "decimal":
            digits = f"{abs(int(value.scaleb(self.scale))):0{self.width}}"
            # a minus zero is a zero
            signs = MINUS if value < 0 else PLUS
            return digits[:-1] + signs[int(digits[-1])]
        if self.kind == "whole":
            return f"{value:>{self.width}}"
        if self.kind == "date":
            return value.isoformat().replace("-", "")
        return f"{value:<{self.width}}"


@dataclass(frozen=True)
class Punched:
    """A deck: its fields, and the values of each card."""

    columns: list[Column]
    rows: list[tuple[Any, ...]]

    def layout(self) -> str:
        """Return the layout as TOML."""
        found, first = "", 1
        for column in self.columns:
            found += column.toml(first)
            first += column.width
        return found

    def images(self) -> list[str]:
        """Return the cards."""
        return [
            "".join(c.punched(value) for c, value in zip(self.columns, row, strict=True))
            for row in self.rows
        ]

    def wanted(self) -> list[tuple[Any, ...]]:
        """Return what a table holds of each card, its number first."""
        return [(number, *row) for number, row in enumerate(self.rows, 1)]


def _column(place: int) -> st.SearchStrategy[Column]:
    name = f"f{place}"
    decimals = st.integers(2, 15).flatmap(
        lambda width: st.builds(
            Column, st.just(name), st.just("decimal"), st.just(width), st.integers(1, width)
        )
    )
    return st.one_of(
        st.builds(Column, st.just(name), st.just("text"), st.integers(1, 8)),
        st.builds(Column, st.just(name), st.just("whole"), st.integers(2, 15)),
        st.builds(Column, st.just(name), st.just("date"), st.just(8)),
        decimals,
    )


@st.composite
def decks(draw: st.DrawFn) -> Punched:
    """Return decks of one to five fields and some cards, no card blank."""
    columns = [draw(_column(place)) for place in range(draw(st.integers(1, 5)))]
    columns.append(Column("last", "whole", 4))
    rows = st.tuples(*(column.values() for column in columns[:-1]), st.integers(0, 999))
    return Punched(columns, draw(st.lists(rows, min_size=1, max_size=25)))
