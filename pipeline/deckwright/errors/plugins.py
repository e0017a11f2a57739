"""A plugin is missing, broken or misbehaves."""

from __future__ import annotations

from typing_extensions import override

from deckwright.errors.base import DeckwrightError
from deckwright.wording import nearest

NAMED = 5
"""Cards that a message names."""


class PluginError(DeckwrightError):
    """A plugin is missing, broken or misbehaves."""

    exit_code = 3


class UnknownKindError(PluginError):
    """No installed plugin brings this kind."""

    def __init__(self, group: str, kind: str, known: list[str]) -> None:
        self.group, self.kind, self.known = group, kind, known
        super().__init__(f"there is no {group} {kind!r}; {nearest(kind, known)}")


class PluginLoadError(PluginError):
    """A plugin's module cannot be imported or does not bring what it announces."""

    def __init__(self, kind: str, distribution: str, cause: str) -> None:
        self.kind, self.distribution, self.cause = kind, distribution, cause
        super().__init__(f"plugin {kind!r} of {distribution} cannot be loaded: {cause}")


class DuplicateKindError(PluginError):
    """Two distributions bring one kind."""

    def __init__(self, group: str, kind: str, first: str, second: str) -> None:
        self.group, self.kind = group, kind
        super().__init__(
            f"the {group} kind {kind!r} is brought by both {first} and {second}; uninstall one",
        )


class ObserverError(PluginError):
    """An observer of runs raised. observer: its name and distribution."""

    def __init__(self, hook: str, cause: str, observer: str = "an observer") -> None:
        self.hook, self.cause, self.observer = hook, cause, observer
        stands = "; the run folder stands complete" if hook.endswith("run_finished") else ""
        super().__init__(f"{observer} failed in {hook}: {cause}{stands}")


class AccountError(PluginError):
    """A stage broke the count equation: in + added = out + returned + set aside.

    cards: numbers in the run of those concerned, from 1; empty where none can be named. named: how
    they are told instead where the run has several decks.
    """

    def __init__(self, stage: str, distribution: str, what: str, cards: list[int]) -> None:
        self.stage, self.distribution, self.what, self.cards = stage, distribution, what, cards
        self.named = ""
        super().__init__(stage, distribution, what)

    @override
    def __str__(self) -> str:
        """Return what a stage did to which cards."""
        numbers = ", ".join(f"{card:,}" for card in self.cards[:NAMED])
        named = self.named or (numbers and f"card {numbers}")
        more = " \u2026" if len(self.cards) > NAMED else ""
        where = f": {named}{more}" if named else ""
        return f"{self.stage} ({self.distribution}) {self.what}{where}; nothing was delivered"


class CarriedFileError(PluginError):
    """A delivery cannot be carried on, such as a master that does not follow from the last."""

    def __init__(self, stage: str, distribution: str, file: str, what: str) -> None:
        self.stage, self.distribution, self.file, self.what = stage, distribution, file, what
        super().__init__(
            f"{stage} ({distribution}): {file} cannot be carried on to the next run: {what};"
            " nothing was delivered"
        )
