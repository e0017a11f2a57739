"""What the tests of drawings share: cards, and holes read back from SVG and PDF."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from xml.etree import ElementTree as ET

import numpy as np
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deckwright.report.drawing.cards import COLUMNS
from deckwright.report.model import CardLine

PATTERNS = hnp.arrays(np.uint16, COLUMNS, elements=st.integers(0, 0xFFF))
MARKS = st.lists(
    st.tuples(st.integers(1, 80), st.integers(0, 12)).map(
        lambda pair: (pair[0], min(pair[0] + pair[1], 80), "a sentence")
    ),
    max_size=8,
)
FIELDS = st.lists(
    st.tuples(st.integers(1, 80), st.integers(0, 20), st.text("abc_", min_size=1, max_size=9)).map(
        lambda one: (one[0], min(one[0] + one[1], 80), one[2])
    ),
    max_size=12,
)
BLANK = np.zeros(COLUMNS, np.uint16)
SVG = "{http://www.w3.org/2000/svg}"


def drawn(svg: str) -> ET.Element:
    """Return our own drawing as a tree."""
    return ET.fromstring(svg)  # noqa: S314 # our own drawing


def texts(svg: str) -> list[str]:
    """Return every text of a drawing."""
    return ["".join(node.itertext()) for node in drawn(svg).iter(f"{SVG}text")]


def holes_of(svg: str) -> np.ndarray:
    """Read the holes back from an SVG, as patterns."""
    found = np.zeros(COLUMNS, np.uint16)
    path = next((p for p in drawn(svg).iter(f"{SVG}path") if p.get("stroke-width") == "125"), None)
    left = height = 0.0
    steps = (
        re.findall(r"([Mmh])([-\d.]+)(?: ([-\d.]+))?", path.get("d")) if path is not None else []
    )
    for letter, along, down in steps:
        if letter == "M":
            left, height = float(along), float(down)
        elif letter == "m":
            left += float(along)
        else:
            assert float(along) == 55
            column = (left + 27.5 - 251) / 87
            row = (height - 250) / 250
            assert column == int(column)
            assert row == int(row)
            found[int(column)] |= 0x800 >> int(row)
            left += 55
    return found


def pages_of(pdf: bytes) -> list[str]:
    """Return what is drawn on each page of a PDF of ours."""
    drawn_ones = []
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        packed = stream.strip()
        if packed.endswith(b"~>"):  # ASCII85 over Flate, ISO 32000-1, 7.4.3 and 7.4.4
            text = zlib.decompress(base64.a85decode(b"<~" + packed, adobe=True))
            if b" cm" in text:
                drawn_ones.append(text.decode("latin-1"))
    return drawn_ones


def boxes_of(page: str) -> np.ndarray:
    """Return left, bottom, width and height of all rectangles of a page, as they are written."""
    found = re.findall(r"([-\d.]+) ([-\d.]+) ([-\d.]+) ([-\d.]+) re", page)
    return np.array([[float(number) for number in box] for box in found]).reshape(-1, 4)


def line(number: int, patterns: np.ndarray, **more: object) -> CardLine:
    """Return a card to be drawn."""
    return CardLine(number, patterns, more.pop("text", ""), more.pop("marks", ()), **more)


def png(width: int = 4, height: int = 3) -> bytes:
    """Return a grey picture, written by hand. Source: ISO/IEC 15948 (PNG), clause 5."""
    rows = b"".join(b"\0" + b"\x80" * width for _ in range(height))
    parts = [
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(rows)),
        (b"IEND", b""),
    ]
    chunks = (
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in parts
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)
