"""The shape of a notice: an observer of the service, which hears what becomes of decks."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar, Generic, TypeVar, get_args

from typing_extensions import override

from deckwright.jobs.base import ConfigModel


class NoticeConfig(ConfigModel):
    """Options of a notice."""


ConfigT = TypeVar("ConfigT", bound=NoticeConfig)


class Notice(Generic[ConfigT]):
    """Hears of decks and jobs of a service; sees names and counts, never card contents.

    It lives in a process of its own, beside the service: it may be slow, raise or end without harm
    to any deck. What it does not hear because of that is not told again. It is called only after
    what it hears of is safely on disk.
    """

    kind: ClassVar[str]
    config_model: ClassVar[type[NoticeConfig]]

    @override
    def __init_subclass__(cls, **kwargs: object) -> None:
        super().__init_subclass__(**kwargs)
        for base in getattr(cls, "__orig_bases__", ()):
            for argument in get_args(base):
                if isinstance(argument, type) and issubclass(argument, NoticeConfig):
                    cls.config_model = argument

    def __init__(self, config: ConfigT, workspace: Path) -> None:
        self.config = config
        self.workspace = workspace

    def deck_done(
        self, run: str, job: str, deck: str, counts: Mapping[str, int], folder: str
    ) -> None:
        """Hear that a run is done.

        Args:
            run: its name.
            job: name of the job.
            deck: name of the deck as it was dropped, odd characters escaped.
            counts: cards `in`, `added`, `out`, `returned`, `set_aside`.
            folder: where the run lies, relative to the workspace.
        """

    def deck_returned(self, run: str, job: str, deck: str, code: str, folder: str) -> None:
        """Hear that a whole deck came back. code: the first reason in short."""

    def deck_held(self, run: str, job: str, deck: str, why: str) -> None:
        """Hear that an operator holds a deck back."""

    def job_held(self, job: str, why: str) -> None:
        """Hear that no deck of a job is run until an operator resumes it."""
