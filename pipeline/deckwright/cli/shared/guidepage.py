"""A page of the guide, written in Markdown, as lines for a terminal."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import click

_LINK = re.compile(r"\[([^\]]+)\]\((?:#[^)]*|[^):]+)\)")
_BOLD = re.compile(r"\*\*([^*]+)\*\*")
_CODE = re.compile(r"`([^`]+)`")
_ITEM = re.compile(r"^(\s*)(- |\d+\. )(.*)$")
_CELL = re.compile(r"(?<!\\)\|")
_GAP = 2
_TERM = 22
"""Widest name that has its explanation beside it; wider ones have it below."""


@dataclass(frozen=True, slots=True)
class Page:
    """How a page is shown.

    Attributes:
        width: characters of a line. Examples are never wrapped.
        coloured: mark names and headings by colour in place of signs.
    """

    width: int
    coloured: bool = False

    def lines(self, text: str) -> Iterator[str]:
        """Yield the lines of a page in Markdown."""
        blocks = _blocks(text.splitlines())
        for place, block in enumerate(blocks):
            if place:
                yield ""
            first = block[0]
            if _fence(first):
                inner = textwrap.dedent("\n".join(block[1:-1])).split("\n")
                yield from (f"    {line}".rstrip() for line in inner)
            elif first.startswith("#"):
                yield from self._heading(first)
            elif first.startswith("|"):
                yield from self._table([_cells(row) for row in block])
            else:
                yield from self._prose(block)

    def _heading(self, line: str) -> Iterator[str]:
        marks, _, text = line.partition(" ")
        said = _plain(text).replace("`", "")
        for part in textwrap.wrap(said, self.width):
            yield click.style(part, bold=True) if self.coloured else part
        if not self.coloured and len(marks) < 3:  # noqa: PLR2004 # smaller ones stand for themselves
            yield ("=" if len(marks) == 1 else "-") * min(self.width, len(said))

    def _prose(self, block: Sequence[str]) -> Iterator[str]:
        items: list[list[str]] = []
        for line in block:
            if _ITEM.match(line) or not items:
                items.append([line])
            else:
                items[-1].append(line)
        for item in items:
            found = _ITEM.match(item[0])
            lead = f"{found[1]}{found[2]}" if found else ""
            text = " ".join([found[3] if found else item[0].strip(), *map(str.strip, item[1:])])
            yield from self._wrapped(text, lead, " " * len(lead))

    def _wrapped(self, text: str, lead: str, indent: str) -> Iterator[str]:
        for line in textwrap.wrap(
            _plain(text),
            self.width,
            initial_indent=lead,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        ):
            yield self._marked(line)

    def _marked(self, line: str) -> str:
        if not self.coloured:
            return line
        return _CODE.sub(lambda found: click.style(found[1], fg="cyan"), line)

    def _table(self, rows: list[list[str]]) -> Iterator[str]:
        head, body = rows[0], rows[2:]
        widths = [max(len(_plain(row[at])) for row in [head, *body]) for at in range(len(head))]
        if sum(widths) + _GAP * (len(widths) - 1) <= self.width:
            yield from self._grid(head, body, widths)
        elif len(head) == 2:  # noqa: PLR2004 # a name and what it means
            yield from self._terms(body)
        else:
            yield from self._options(head, body)

    def _grid(self, head: list[str], body: list[list[str]], widths: list[int]) -> Iterator[str]:
        if any(head):
            yield self._row(head, widths)
            yield (" " * _GAP).join("-" * width for width in widths)
        for row in body:
            yield self._row(row, widths)

    def _row(self, row: list[str], widths: list[int]) -> str:
        cells = [_plain(cell).ljust(width) for cell, width in zip(row, widths, strict=True)]
        return self._marked((" " * _GAP).join(cells).rstrip())

    def _terms(self, body: list[list[str]]) -> Iterator[str]:
        """Yield names, each with what it means beside it, or below where it is long."""
        widest = max((len(_plain(row[0])) for row in body), default=0)
        beside = min(widest, _TERM, self.width // 3) + _GAP
        for name, meaning in body:
            said = _plain(name)
            if len(said) + _GAP > beside:
                yield from self._wrapped(said, "", "  ")
                said = ""
            yield from self._wrapped(meaning, said.ljust(beside), " " * beside)

    def _options(self, head: list[str], body: list[list[str]]) -> Iterator[str]:
        """Yield a paragraph for each row: its name, the short cells named, the last one below."""
        for row in body:
            between = [
                f"{_plain(title)}: {_plain(cell)}" if title and cell != "needed" else _plain(cell)
                for title, cell in zip(head[1:-1], row[1:-1], strict=True)
                if cell
            ]
            said = f" ({'; '.join(between)})" if between else ""
            yield from self._wrapped(f"{_plain(row[0])}{said}", "", "    ")
            yield from self._wrapped(row[-1], "    ", "    ")


def _blocks(lines: Sequence[str]) -> list[list[str]]:
    """Return the lines of each heading, example, table and paragraph."""
    blocks: list[list[str]] = []
    open_block: list[str] = []
    for line in [*lines, ""]:
        if open_block and _fence(open_block[0]):
            open_block.append(line)
            if not _fence(line):
                continue
        elif line and not line.startswith("#") and not _fence(line):
            if open_block and line.startswith("|") != open_block[0].startswith("|"):
                blocks.append(open_block)
                open_block = []
            open_block.append(line)
            continue
        elif _fence(line):
            blocks.append(open_block)
            open_block = [line]
            continue
        blocks.append(open_block)
        open_block = []
        if line.startswith("#"):
            blocks.append([line])
    return [block for block in blocks if block]


def _fence(line: str) -> bool:
    return line.lstrip().startswith("```")


def _cells(row: str) -> list[str]:
    return [cell.strip().replace("\\|", "|") for cell in _CELL.split(row.strip())[1:-1]]


def _plain(text: str) -> str:
    """Return text without links to places that a terminal cannot go to, and without bold."""
    return _BOLD.sub(r"\1", _LINK.sub(r"\1", text))
