"""Opening a deck: finding out what it lies on, without reading it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from deckwright.errors import DeckError
from deckwright.examine.opening.archives import open_wrapped
from deckwright.examine.opening.outside import Media, OpenDeck, must_be_a_deck, ranked
from deckwright.identify.wrappings import wrapping_of

_AS_IN_A_JOB = """; write it as in a job: '{ kind = "blocks", code = "cp037" }'"""


class MediumTextError(DeckError):
    """The options of --medium cannot be used."""

    exit_code = 2

    def __init__(self, option: str, what: str) -> None:
        super().__init__(f"{option}: {what}")


def open_deck(
    deck: Path, media: Media, medium: Mapping[str, object] | None, code: str | None
) -> OpenDeck:
    """Find out what a deck lies on, without reading it.

    Args:
        deck: the file.
        media: makes media.
        medium: a table of options that a person named, None to find out; what a wrapped deck holds
            is found out where it is not named.
        code: a code that a person named.

    Raises:
        UnreadableDeckError: it is no file of cards.
        UnknownCodeError: there is no such code.
    """
    head = must_be_a_deck(deck)
    wrapped = {} if medium is None else dict(medium)
    if medium is not None and (medium.get("kind") != "wrapped" or "inside" in medium):
        options = {**medium, **({"code": code} if code else {})}
        return OpenDeck(deck, deck, options, options, None)
    if wrapped or wrapping_of(head):
        return open_wrapped(deck, media, wrapped, code)
    return ranked(deck, deck, media, code)


def parse_medium(text: str) -> dict[str, object]:
    """Return the table that --medium gives.

    Raises:
        MediumTextError: it is none.
    """
    named, table = f"--medium {text!r}", text.strip()
    table = table if table.startswith("{") else f"{{ {table} }}"
    try:
        options: dict[str, object] = tomllib.loads(f"medium = {table}")["medium"]
    except tomllib.TOMLDecodeError as error:
        raise MediumTextError(named, "is no TOML table" + _AS_IN_A_JOB) from error
    if not isinstance(options.get("kind"), str):
        raise MediumTextError(named, "lacks the key 'kind'" + _AS_IN_A_JOB)
    return options


__all__ = ["Media", "MediumTextError", "OpenDeck", "open_deck", "parse_medium"]
