"""The options of the medium `pictures`, and the limits that follow from them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from deckwright import MediumConfig

_MOST_CARDS = 1_000


def _is_a_count(value: object) -> object:
    if value != "auto" and not (type(value) is int and 1 <= value <= _MOST_CARDS):
        msg = f"should be a number of cards from 1 to {_MOST_CARDS:,}, or 'auto'"
        raise ValueError(msg)
    return value


class PicturesConfig(MediumConfig):
    """Pictures of cards: in a zip, a tar, a folder, a TIFF of many pages, or alone."""

    kind: str = "pictures"
    """Which medium."""

    code: str = "ebcdic"
    """Which character the holes of a column stand for."""

    cards_a_picture: Annotated[int | str, BeforeValidator(_is_a_count)] = 1
    """Cards on each picture: 1, another number, or `auto` to take what is found."""

    page_order: Literal["rows", "columns"] = "rows"
    """How several cards on a picture follow each other: row by row, or column by column."""

    order: Literal["name", "archive"] = "name"
    """Pictures follow each other by name, numbers in it counted; or as they lie in the archive."""

    cut: Literal["ask", "upper-left", "upper-right", "none"] = "ask"
    """The corner of the front that is cut off; `none` takes every card as it lies; `ask` returns
    cards of which print does not tell how they lie."""

    backs: Literal["ask", "read"] = "ask"
    """Cards whose back is seen by that corner: a person is asked each time; or they are read."""

    banners: Literal["set-aside", "return", "keep"] = "set-aside"
    """What becomes of cards that carry big letters of holes."""

    printed_line: Literal["show", "compare"] = "show"
    """The line of print along the top edge is shown; or recognised too, to doubt what was read."""

    most_files: Annotated[int, Field(ge=1, le=1_000_000)] = 50_000
    """Files that a deck may hold."""

    most_pixels: Annotated[int, Field(ge=0)] = 0
    """Pixels that a picture may have; 0: those of a page of A3 at 600 an inch."""

    cards_a_task: Annotated[int, Field(ge=1, le=10_000)] = 32
    """Cards that a process reads at a time."""
