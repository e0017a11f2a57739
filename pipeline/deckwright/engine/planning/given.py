"""Which files a run is given, and which decks of the job they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from deckwright.engine.planning.decks import NamedDeck
from deckwright.engine.planning.plan import Plan
from deckwright.errors import (
    MissingDeckError,
    OneDeckError,
    UnknownDeckError,
    UnnamedDeckError,
)
from deckwright.plugin.media import Medium


@dataclass(frozen=True, slots=True)
class GivenDeck:
    """One file of a run. name: what it is called in outputs; of, file: as in a `DeckPart`."""

    name: str
    path: Path
    medium: Medium[Any]
    of: str = ""
    file: str = ""


Paths = Sequence[Path] | Mapping[str, Path | Sequence[Path]]


def decks_given(plan: Plan, decks: Paths, names: Sequence[str] | None = None) -> list[GivenDeck]:
    """Return the decks of a run in the order in which their cards are numbered.

    Args:
        plan: the job.
        decks: paths, by the names of the job's decks where it has several.
        names: what the files are called; None = their own names.

    Raises:
        DeckNamesError: they are not the decks that the job names.
    """
    pairs = list(_pairs(plan.named, decks))
    if plan.named:
        pairs = _in_order(plan.named, plan.files, pairs)
    elif named := [name for name, _ in pairs if name]:
        raise OneDeckError(named[0])
    files = list(names or [path.name for _, path in pairs])
    if not plan.named:
        return [
            GivenDeck(name, path, plan.source.medium)
            for name, (_, path) in zip(files, pairs, strict=True)
        ]
    media = {deck.name: deck.medium for deck in plan.named}
    alone = {of for of, _ in pairs if sum(each == of for each, _ in pairs) == 1}
    return [
        GivenDeck(of if of in alone else f"{of}-{file}", path, media[of], of, file)
        for file, (of, path) in zip(files, pairs, strict=True)
    ]


def parsed(plan: Plan, words: Sequence[str]) -> Paths:
    """Return the decks that somebody wrote down: paths, or NAME=PATH in a job of several decks.

    Raises:
        DeckNamesError: a word is not of that form.
    """
    if not plan.named:
        return [Path(word) for word in words]
    found: dict[str, list[Path]] = {}
    names = [deck.name for deck in plan.named]
    for word in words:
        name, sign, path = word.partition("=")
        if not (sign and name and path):
            raise UnnamedDeckError(word, names, _call(plan.named))
        found.setdefault(name, []).append(Path(path))
    return found


def _pairs(named: Sequence[NamedDeck], decks: Paths) -> Iterator[tuple[str, Path]]:
    if isinstance(decks, Mapping):
        for name, paths in decks.items():
            for path in [paths] if isinstance(paths, Path) else paths:
                yield name, path
        return
    if named and len(decks):
        names = [deck.name for deck in named]
        raise UnnamedDeckError(str(decks[0]), names, _call(named))
    yield from (("", path) for path in decks)


def _in_order(
    named: Sequence[NamedDeck], files: Mapping[str, Path], given: Sequence[tuple[str, Path]]
) -> list[tuple[str, Path]]:
    """Return all decks of a run in the order of the job; those that lie in its files too."""
    names = [deck.name for deck in named]
    for name, _ in given:
        if name not in names:
            raise UnknownDeckError(name, names)
    found: list[tuple[str, Path]] = []
    for deck in named:
        mine = [(name, path) for name, path in given if name == deck.name]
        if not mine and deck.file:
            mine = [(deck.name, files[deck.file])]
        if not mine:
            raise MissingDeckError(deck.name, _call(named))
        found += mine
    return found


def _call(named: Sequence[NamedDeck]) -> str:
    return " ".join(f"{deck.name}=PATH" for deck in named if not deck.file)
