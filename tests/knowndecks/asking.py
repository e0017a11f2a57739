"""Asks the command line what a deck is, as a user does, and reads what it answers as JSON."""

from __future__ import annotations

import contextlib
import io
import json
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from deckwright.cli.main import main

from .model import Deck

MEANINGS = (
    ("not used", "not used"),
    ("constant", "constant"),
    ("code", "code"),
    ("running number", "sequence"),
    ("number or name in digits", "digits"),
    ("number with check digit", "check digit"),
    ("multi-punch", "holes"),
    ("number with exponent", "exponent"),
    ("decimal number", "point"),
    ("signed or flagged number", "overpunched"),
    ("signed number", "signed"),
    ("whole number", "whole"),
    ("date", "date"),
    ("time", "time"),
    ("text", "text"),
)
"""The words in which a claim is told, and one word for each."""

WORDS = tuple(words for words, _ in MEANINGS)
BY_DELIVERY = {
    "digits": "digits",
    "choice": "code",
    "whole": "whole",
    "decimal": "point",
    "date": "date",
    "time": "time",
    "text": "text",
    "exponent": "exponent",
    "holes": "holes",
}
"""What a claim in other words is taken for: what its proposal would deliver."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One guessed field: columns from 1, both inclusive; what it is said to be, and how surely."""

    first: int
    last: int
    what: str
    strength: str
    options: dict[str, Any] = field(hash=False)

    @property
    def kind(self) -> str:
        """One word for what is claimed; `other` for words that are not known here."""
        options, what = self.options, self.what
        for words, kind in MEANINGS:
            if what == words or what.startswith(words + " "):
                return kind
        return BY_DELIVERY.get(str(options.get("kind")), "other")

    @property
    def known(self) -> bool:
        """Whether the words of the claim are known here, or only what it would deliver."""
        return self.what.startswith(WORDS)


@dataclass(frozen=True, slots=True)
class Guessed:
    """A type of card as guessed: the texts of its mark, and its claims."""

    name: str
    values: tuple[str, ...]
    cards: int
    claims: tuple[Claim, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """All that is compared of an answer; `asked` where a person has to choose first."""

    asked: bool
    medium: dict[str, Any]
    width: int = 0
    drawn: tuple[tuple[int, str], ...] = ()
    first: int = 0
    last: int = 0
    strength: str = ""
    types: tuple[Guessed, ...] = ()


def command(*arguments: object) -> int:
    """Give a command line and return its exit code; what it prints is dropped."""
    before, said = sys.argv, io.StringIO()
    sys.argv = ["deckwright", *map(str, arguments)]
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            main()
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 1
    finally:
        sys.argv = before
    return 0


def punched(deck: Deck, folder: Path) -> Path:
    """Write the file of a deck."""
    path = folder / f"deck-{deck.seed}{deck.suffix}"
    path.write_bytes(deck.data)
    return path


def ask(path: Path, proposal: Path) -> Answer:
    """Examine a deck, with its proposal written beside it."""
    figures = path.with_suffix(".json")
    command("examine", path, "--brief", "--json", figures, "--propose", proposal)
    if not figures.exists():
        return Answer(asked=True, medium={})
    told = json.loads(figures.read_text(encoding="utf-8"))
    reading, types = told["reading"], told.get("types") or {}
    candidates = reading["media"]["candidates"]
    return Answer(
        asked=not reading["sure"],
        medium={**candidates[0]["options"], "same": candidates[0]["same"]} if candidates else {},
        width=told.get("width") or 0,
        drawn=tuple((one["card"], one["text"]) for one in told.get("drawn") or ()),
        first=types.get("column") or 0,
        last=types.get("last") or types.get("column") or 0,
        strength=types.get("strength") or "",
        types=tuple(_guessed(one) for one in types.get("types") or ()),
    )


def _guessed(one: dict[str, Any]) -> Guessed:
    claims = tuple(
        Claim(each["first"], each["last"], each["what"], each["strength"], each["options"])
        for each in one["guesses"]
    )
    return Guessed(one["name"], tuple(one["values"]), one["cards"], claims)
