"""Characters that a reader of print takes for one another, and where two lines really differ."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

GROUPS: Final = (
    "0ODQ@", "08", "OQGC", "6G", "1I|!L7T", "2Z", "5S$", "8B", "UV", "-_=", ".,'",
)  # fmt: skip
"""Not told apart in print.

No two letters or digits of a group are one hole apart, so that a hole lost or read too much is
never hidden by this. Which characters are mistaken was counted on drawn cards in two fonts.
"""

BLANK: Final = " "


def alike(one: str, other: str) -> bool:
    """Return whether two characters are the same, or look the same in print; case is ignored."""
    first, second = one.upper(), other.upper()
    return first == second or any(first in group and second in group for group in GROUPS)


def differing(punched: str, seen: str) -> Iterator[int]:
    """Return the columns, from 0, where something is seen that is not what is punched."""
    for column, (here, there) in enumerate(zip(punched.ljust(len(seen)), seen, strict=False)):
        if there != BLANK and not alike(here, there):
            yield column
