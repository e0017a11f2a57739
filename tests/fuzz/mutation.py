"""Faults for decks that are fuzzed: bytes, line ends, descriptor words, labels, tokens, fields."""

from __future__ import annotations

import random
from collections.abc import Callable

Change = Callable[[bytearray, random.Random], None]

_TELLING = bytes([0, 1, 4, 8, 9, 10, 13, 26, 32, 37, 48, 57, 64, 65, 127, 128, 192, 240, 254, 255])
_SIZES = (
    0,
    1,
    3,
    4,
    5,
    7,
    8,
    9,
    12,
    80,
    84,
    255,
    256,
    32_759,
    32_760,
    32_761,
    32_767,
    32_768,
    65_535,
)
_ENDS = (
    b"\n",
    b"\r\n",
    b"\r",
    b"\n\n",
    b"\r\r\n",
    b"\n\r",
    b"\x85",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"\t",
)
_TOKENS = (b"12", b"11", b"0", b"8-3", b"12-1", b"0-8-3-3", b"12-12", b"-", b"1-", b"13", b"blank",
           b" ", b"", b"X", b"9-8-7-6-5-4-3-2-1-0-11-12", b"\xb9", b"1.1", b"\0")  # fmt: skip
_LABELS = (b"VOL1", b"HDR1", b"HDR2", b"HDR9", b"UHL1", b"EOF1", b"EOF2", b"EOV1", b"UTL1", b"HDRx",
           "VOL1".encode("cp037"), "EOF1".encode("cp037"))  # fmt: skip
_NUMBERS = (b"0", b"000000", b"999999", b"-1", b"1", b" ", b"\xb2", b"000001")


def any_bytes(data: bytearray, dice: random.Random) -> None:
    """Change, cut, double, put in or swap some bytes."""
    at, size = dice.randrange(len(data) + 1), dice.randrange(1, 30)
    match dice.randrange(8):
        case 0:
            data[at : at + 1] = bytes([dice.randrange(256)])
        case 1:
            del data[at : at + size]
        case 2:
            data[at:at] = data[at : at + size]
        case 3:
            data[at:at] = dice.randbytes(size)
        case 4:
            data[at : at + 1] = bytes([dice.choice(_TELLING)])
        case 5:
            del data[at:]
        case 6 if data:
            data[at - 1] ^= 1 << dice.randrange(8)
        case _:
            other = dice.randrange(len(data) + 1)
            part = data[at : at + size]
            data[at : at + size] = data[other : other + size]
            data[other : other + size] = part


def line_ends(data: bytearray, dice: random.Random) -> None:
    """Put in a line end of some kind, take one away, or make a line long."""
    at = dice.randrange(len(data) + 1)
    end = data.find(b"\n", at)
    match dice.randrange(4):
        case 0:
            data[at:at] = dice.choice(_ENDS)
        case 1 if end >= 0:
            data[end : end + 1] = dice.choice(_ENDS)
        case 2 if end >= 0:
            del data[end]
        case _:
            data[at:at] = bytes([dice.choice(_TELLING)]) * dice.choice((1, 9, 90, 300))


def descriptor_words(data: bytearray, dice: random.Random) -> None:
    """Change a word of those that lead from one to the next, or put one in."""
    places, at = [], 0
    while at + 4 <= len(data) and len(places) < 40:
        places.append(at)
        size = int.from_bytes(data[at : at + 2], "big")
        # into a block or behind the record, so that words of both kinds are met
        at += 4 if size < 4 or (len(places) == 1 and dice.random() < 0.5) else size
    at = dice.choice(places) if places else 0
    size = int.from_bytes(data[at : at + 2], "big")
    match dice.randrange(5):
        case 0:
            size += dice.choice((-8, -4, -1, 1, 4, 8))
            data[at : at + 2] = (size & 0xFFFF).to_bytes(2, "big")
        case 1:
            data[at : at + 2] = dice.choice(_SIZES).to_bytes(2, "big")
        case 2:
            data[at + 2 : at + 4] = bytes([dice.randrange(4), dice.randrange(2)])
        case 3:
            data[at:at] = dice.choice(_SIZES).to_bytes(2, "big") + bytes(2)
        case _:
            # a whole further record or block, right by itself
            data[at:at] = data[at : at + size]


def labels(data: bytearray, dice: random.Random) -> None:
    """Change, drop, double or put in a label of 80 bytes at either end."""
    whole = len(data) // 80
    at = 80 * dice.randrange(min(4, whole + 1))
    if dice.random() < 0.5:
        at = max(0, len(data) - 80 - at)
    match dice.randrange(5):
        case 0:
            data[at : at + 4] = dice.choice(_LABELS)
        case 1:
            del data[at : at + 80]
        case 2:
            data[at:at] = data[at : at + 80]
        case 3:
            place = at + dice.choice((4, 5, 10, 21, 41, 54))
            number = dice.choice(_NUMBERS)
            data[place : place + len(number)] = number
        case _:
            data[at:at] = dice.choice(_LABELS).ljust(80)


def tokens(data: bytearray, dice: random.Random) -> None:
    """Put a word of a transcript in the place of a line or into it."""
    at = data.find(b"\n", dice.randrange(len(data) + 1)) + 1
    end = data.find(b"\n", at)
    if dice.random() < 0.7:
        data[at : end if end >= 0 else at] = dice.choice(_TOKENS)
    else:
        data[at:at] = dice.choice(_TOKENS) + dice.choice((b"", b"\n", b"\n\n"))


def small_numbers(data: bytearray, dice: random.Random) -> None:
    """Set a field of two or four bytes, as the headers of archives have them."""
    at = dice.randrange(len(data) + 1)
    value = dice.choice((0, 1, 2, 0xFF, 0xFFFF, 0x8000, 0xFFFF_FFFF, 0x7FFF_FFFF, len(data)))
    size = dice.choice((2, 4, 8))
    data[at : at + size] = (value & ((1 << 8 * size) - 1)).to_bytes(size, "little")


CHANGES: dict[str, tuple[Change, ...]] = {
    "text": (any_bytes, line_ends),
    "blocks": (any_bytes,),
    "column-binary": (any_bytes,),
    "records": (any_bytes, descriptor_words, labels),
    "transcript": (any_bytes, line_ends, tokens),
    "wrapped": (any_bytes, small_numbers),
    "examine": (any_bytes, line_ends, descriptor_words, labels, tokens, small_numbers),
}
"""What is done to decks of each reader."""


def changed(data: bytes, kind: str, dice: random.Random) -> bytes:
    """Return a deck with some faults, or now and then noise."""
    if dice.random() < 0.03:
        return dice.randbytes(dice.randrange(400))
    out = bytearray(data)
    for _ in range(dice.choice((0, 1, 1, 1, 2, 2, 3, 5))):
        dice.choice(CHANGES[kind])(out, dice)
    return bytes(out[:MOST_BYTES])


MOST_BYTES = 2_048
"""A deck is cut here, so that it does not grow from change to change."""
