"""Labels of a deck that comes from tape: records of 80 characters before and behind the cards.

Names and positions are those of ISO 1001 and ANSI X3.27 (from memory): the volume label VOL1, the
header labels HDR1 and HDR2 with user header labels UHL, and behind the cards EOF1 (EOV1 where the
file goes on on a further volume), EOF2 and user trailer labels UTL.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from deckwright import UnreadableDeckError

SIZE = 80
"""Bytes of a label (from memory)."""

_MOST = 64  # labels on one side; the standard allows nine of each kind
_CODES = ("ascii", "cp037")
_HEAD = re.compile(r"(VOL|UVL|HDR|UHL)[1-9A-Z]")
_TAIL = re.compile(r"(EOF|EOV|UTL)[1-9A-Z]")
_ENDS = ("EOF1", "EOV1")

# first and last character position, from 1; all from memory
_FILE_PARTS = (
    ("file", 5, 21),
    ("set", 22, 27),
    ("section", 28, 31),
    ("sequence", 32, 35),
    ("generation", 36, 39),
    ("created", 42, 47),
    ("expires", 48, 53),
    ("blocks", 55, 60),
    ("system", 61, 73),
)
_RECORD_PARTS = (
    ("record format", 5, 5),
    ("block length", 6, 10),
    ("record length", 11, 15),
    ("offset", 51, 52),
)
_PARTS: dict[str, tuple[tuple[str, int, int], ...]] = {
    "VOL1": (("volume", 5, 10), ("accessibility", 11, 11), ("owner", 38, 51), ("version", 80, 80)),
    "HDR1": _FILE_PARTS,
    "EOF1": _FILE_PARTS,
    "EOV1": _FILE_PARTS,
    "HDR2": _RECORD_PARTS,
    "EOF2": _RECORD_PARTS,
    "EOV2": _RECORD_PARTS,
}


@dataclass(frozen=True, slots=True)
class Labels:
    """The labels of a deck, as text of 80 characters; the cards lie from byte `start` to `end`."""

    head: tuple[str, ...]
    tail: tuple[str, ...]
    start: int
    end: int

    def number(self, names: tuple[str, ...], part: str) -> int | None:
        """Return a number that one of these labels says, or None where none says one."""
        for label in (*self.head, *self.tail):
            said = dict(parts(label)).get(part, "") if label[:4] in names else ""
            if said.isdigit():
                return int(said)
        return None

    def sentences(self) -> list[str]:
        """Return what each label says, as a sentence."""
        return [_sentence(label) for label in (*self.head, *self.tail)]


def read_labels(deck: Path) -> Labels:
    """Find the labels at both ends of a deck.

    Raises:
        UnreadableDeckError: the deck holds nothing but labels, or too many of them.
    """
    total = deck.stat().st_size
    head: list[str] = []
    with deck.open("rb") as file:
        while len(head) <= _MOST and (label := _label(file.read(SIZE), _HEAD)):
            head.append(label)
        start = len(head) * SIZE
        if len(head) > _MOST:
            raise UnreadableDeckError(str(deck), f"begins with more than {_MOST} labels")
        tail = _tail(file, start, total) if any(label[:3] == "HDR" for label in head) else []
    end = total - len(tail) * SIZE
    if head and start >= end:
        raise UnreadableDeckError(str(deck), "holds labels and no cards")
    return Labels(tuple(head), tuple(tail), start, end)


def parts(label: str) -> list[tuple[str, str]]:
    """Return what a label says: names and texts of its parts."""
    known = _PARTS.get(label[:4])
    if known is None:
        return [("text", label[4:].rstrip())]
    return [(name, label[first - 1 : last].strip()) for name, first, last in known]


def _tail(file: BinaryIO, start: int, total: int) -> list[str]:
    """Return the labels at the end, from EOF1 or EOV1 on."""
    count = min(_MOST, (total - start) // SIZE)
    file.seek(total - count * SIZE)
    labels = [_label(file.read(SIZE), _TAIL) for _ in range(count)]
    for place in range(count - 1, -1, -1):
        if not labels[place]:
            return []
        if labels[place][:4] in _ENDS:
            return labels[place:]
    return []


def _label(data: bytes, names: re.Pattern[str]) -> str:
    """Return a label as text, or an empty one."""
    for code in _CODES:
        text = data.decode(code, "replace")
        if len(data) == SIZE and names.match(text):
            return text
    return ""


def _sentence(label: str) -> str:
    said = ", ".join(f"{name} {text!r}" for name, text in parts(label) if text)
    return f"label {label[:4]}: {said}" if said else f"label {label[:4]} says nothing more"
