"""Text for pages and drawings: a sign stands in place of what cannot be shown."""

from __future__ import annotations

UNPRINTABLE = "\u25af"
"""Printed for a character that cannot be shown."""


def shown(text: str) -> str:
    """Return text with a sign in place of each character that cannot be printed."""
    if text.isprintable() and "\ufffd" not in text:
        return text
    return "".join(c if c.isprintable() and c != "\ufffd" else UNPRINTABLE for c in text)


def shown_character(character: str) -> str:
    """Return a character as it is named in a list of cells."""
    return character if character.strip() else ("blank" if character else "nothing")
