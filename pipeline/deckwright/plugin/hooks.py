"""Hook specifications: what a plugin module may implement.

A plugin is a module that an entry point names and that carries functions marked with `hookimpl`.
Hooks run once a plugin or once a run, never per card. An implementation takes the arguments
without defaults and returns one value.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Protocol

import pluggy

if TYPE_CHECKING:
    from deckwright.plugin.forms import Form
    from deckwright.plugin.media import Medium
    from deckwright.plugin.notices import Notice
    from deckwright.plugin.stages import Stage

PROJECT = "deckwright"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


class StageSpecs(Protocol):
    """Bringing stages; entry-point group `deckwright.stages`, name = stage kind."""

    @hookspec
    def deckwright_stages(self) -> list[type[Stage[Any]]]:
        """Return the stage classes that this module brings."""


class MediumSpecs(Protocol):
    """Bringing media; entry-point group `deckwright.media`, name = medium kind."""

    @hookspec
    def deckwright_media(self) -> list[type[Medium[Any]]]:
        """Return the medium classes that this module brings."""


class FormSpecs(Protocol):
    """Bringing forms of delivery; entry-point group `deckwright.forms`, name = kind of the form."""

    @hookspec
    def deckwright_forms(self) -> list[type[Form[Any]]]:
        """Return the form classes that this module brings."""


class NoticeSpecs(Protocol):
    """Bringing observers of the service; group `deckwright.notices`, name = kind of the notice."""

    @hookspec
    def deckwright_notices(self) -> list[type[Notice[Any]]]:
        """Return the notice classes that this module brings."""


class ObserverSpecs(Protocol):
    """Watching runs; entry-point group `deckwright.observers`, every observer is called.

    An observer sees counts and names, never card contents, and cannot change a run.
    """

    @hookspec
    def deckwright_run_started(self, job: str, decks: list[str], cards: int) -> None:
        """Hear that a run has begun: job name, deck names, cards in all."""

    @hookspec
    def deckwright_stage_finished(self, job: str, stage: str, counts: Mapping[str, int]) -> None:
        """Hear the account of a stage: in, added, out, returned, set_aside."""

    @hookspec
    def deckwright_run_finished(self, job: str, folder: str, counts: Mapping[str, int]) -> None:
        """Hear that the run folder stands complete, with the counts of the whole run."""


GROUPS: Mapping[str, tuple[type, str]] = {
    "stages": (StageSpecs, "deckwright_stages"),
    "media": (MediumSpecs, "deckwright_media"),
    "forms": (FormSpecs, "deckwright_forms"),
    "notices": (NoticeSpecs, "deckwright_notices"),
}
"""Entry-point group (after `deckwright.`) to its specification and the hook that brings kinds."""
