"""The shape of a form: what the stage `emit` writes of the cards, a file at a time."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, TypeVar, get_args

from pydantic import AfterValidator
from typing_extensions import override

from deckwright.jobs.base import ConfigModel
from deckwright.layout.tray import Tray
from deckwright.plugin.guard import UNNAMED, guard
from deckwright.plugin.stages import Known, Setting
from deckwright.plugin.tables import schema_beside
from deckwright.plugin.values import Bench

_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def _is_a_file_name(name: str) -> str:
    if not _FILE_NAME.fullmatch(name):
        msg = "should be letters, digits, '.', '_' and '-', a letter or digit first"
        raise ValueError(msg)
    return name


class FormConfig(ConfigModel):
    """Options of a form; every output has these."""

    file: Annotated[str, AfterValidator(_is_a_file_name)]
    """Its name in the run folder's `out`."""
    form: str
    """What is written; `deckwright stages FORM` shows the options of one."""
    where: str = ""
    """Only cards for which this Polars SQL expression holds."""


ConfigT = TypeVar("ConfigT", bound=FormConfig)

_GUARDED = {
    "__init__": None, "outline": None, "head": bytes, "body": (bytes, memoryview),
    "schema": dict, "beside": dict, "complete": None,
}  # fmt: skip


class Form(ABC, Generic[ConfigT]):
    """A way to deliver cards. Made once in each process; holds no state between trays.

    The file is `head`, then what `body` makes of each tray, in the order of the cards. A form whose
    file cannot be written that way overrides `complete`, which makes it after the last card.
    """

    kind: ClassVar[str]
    config_model: ClassVar[type[FormConfig]]
    origin: ClassVar[str] = UNNAMED
    """The distribution that brought it."""
    called: ClassVar[str] = "form"
    """What messages call it."""

    @override
    def __init_subclass__(cls, **kwargs: object) -> None:
        super().__init_subclass__(**kwargs)
        for base in getattr(cls, "__orig_bases__", ()):
            for argument in get_args(base):
                if isinstance(argument, type) and issubclass(argument, FormConfig):
                    cls.config_model = argument
        guard(cls, Form, _GUARDED)

    def __init__(self, config: ConfigT, setting: Setting) -> None:
        self.config = config
        self.setting = setting

    def outline(self, known: Known) -> None:
        """Check the options against what is known of the cards before the run.

        Asked before any other method, and again when the layout has told more of the cards.

        Raises:
            OptionProblem: an option does not fit, or this form cannot hold these fields.
        """

    def head(self) -> bytes:
        """Return what the file begins with."""
        return b""

    @abstractmethod
    def body(self, tray: Tray) -> bytes | memoryview:
        """Return what the cards of a tray put into the file, or give to `complete`."""

    def schema(self) -> dict[str, Any]:
        """Return the table schema of the file: `fields`, each with `name` and `type`; {} = none."""
        return {}

    def beside(self) -> dict[str, bytes]:
        """Return files that go beside it: its schema, if it has one, as `FILE.schema.json`."""
        schema = self.schema()
        if not schema:
            return {}
        return schema_beside(self.config.file, schema)

    def complete(self, pieces: Iterator[bytes], place: Path, bench: Bench) -> None:
        """Make the file at `place`, once a run, after the last card, in the main process.

        Only for a form that overrides it, whose `head` is left out. Its file must not depend on how
        the cards were cut into pieces.

        Args:
            pieces: what `body` returned for each tray with cards, in the order of the cards, read
                from a work file one by one.
            place: where the file is to be; nothing is there yet.
            bench: a folder for work files, and the memory that may be taken.
        """
        raise NotImplementedError

    @classmethod
    def is_completed(cls) -> bool:
        """Return whether the file is made after the last card."""
        return cls.complete is not Form.complete
