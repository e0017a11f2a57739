"""The shapes of a stage, and what a stage is told when it is made."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Generic, Self, TypeVar, get_args

from pydantic import AfterValidator
from typing_extensions import override

from deckwright.cards.codetable import CodeTable
from deckwright.cards.values import ValueKind
from deckwright.jobs.base import ConfigModel
from deckwright.layout.decks import DeckLayouts
from deckwright.layout.reading import Layout
from deckwright.layout.tray import Tray
from deckwright.plugin.book import Book
from deckwright.plugin.guard import UNNAMED, guard
from deckwright.plugin.guard import OptionProblem as OptionProblem  # noqa: PLC0414 # a part of this API
from deckwright.plugin.media import Medium
from deckwright.plugin.nextmaster import MasterAccount
from deckwright.plugin.tables import Table
from deckwright.plugin.values import Bench, Closing, Part
from deckwright.wording import nearest, unknown_code

if TYPE_CHECKING:
    from deckwright.plugin.forms import Form


class StageConfig(ConfigModel):
    """Options of a stage; every stage has these."""

    title: str = ""
    """Shown on the control sheet in place of the kind."""


ConfigT = TypeVar("ConfigT", bound=StageConfig)


@dataclass(frozen=True, slots=True)
class FieldShape:
    """What is known of a field before the run. digits: a text that holds digits only.

    values: the only texts that it can hold, in their order. decks: the decks that have it; it is
    missing on cards of all others. Empty where all have it. personal: its text goes only into
    deliveries that name it and into returned decks.
    """

    kind: ValueKind
    width: int
    scale: int = 0
    digits: bool = False
    unit: str = ""
    label: str = ""
    values: tuple[str, ...] = ()
    decks: tuple[str, ...] = ()
    personal: bool = False


CARD = FieldShape("whole", 18, label="Card number")
"""The field `card`, which every card has: its number in the run."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the cards at one place in the chain, before the run.

    medium: how the cards are read; a layout whose fields have codes of their own hands it on with
    these. punched_anew: the cards are no longer as they were read. decks: the names of the decks in
    a job of several; `layout` and `medium` say nothing there. personal: field, first and last
    column (from 1) of all personal text on the card images as they now are; a stage that punches
    new images takes out what it does not keep, the engine adds what the layout says.
    """

    fields: Mapping[str, FieldShape] = field(default_factory=dict)
    width: int = 80
    code: CodeTable | None = None
    layout: Layout | None = None
    medium: Medium[Any] | None = None
    punched_anew: bool = False
    decks: tuple[str, ...] = ()
    personal: tuple[tuple[str, int, int], ...] = ()

    def need(self, name: str, *path: str | int) -> FieldShape:
        """Return the shape of a field.

        Raises:
            OptionProblem: no field has this name; says which come near.
        """
        if name in self.fields:
            return self.fields[name]
        if name == "card":
            return CARD
        raise OptionProblem(unknown_name("field", name, self.fields), *path)

    def need_named(self, named: Sequence[str], first: int, last: int, *path: str | int) -> None:
        """Check that columns of the cards may be delivered: a personal field must be named for it.

        Args:
            named: the fields that the delivery names.
            first: the first column, from 1.
            last: the last column.
            path: the option that names fields.

        Raises:
            OptionProblem: a personal field that is not named stands in these columns.
        """
        for name, start, end in self.personal:
            if start <= last and first <= end and name not in named:
                what = f"columns {start}-{end} hold the personal field {name!r}; name it here too"
                raise OptionProblem(what, *path)

    def with_fields(self, fields: Mapping[str, FieldShape]) -> Known:
        """Return what is known once these fields are there too."""
        return replace(self, fields={**self.fields, **fields})


def unknown_name(what: str, name: str, names: Sequence[str] | Mapping[str, object]) -> str:
    """Return the sentence for a name that is not there, with near matches."""
    return (
        unknown_code(name, names)
        if what == "code"
        else f"unknown {what} {name!r}; {nearest(name, names)}"
    )


@dataclass(frozen=True, slots=True)
class Setting:
    """What the job gives to a stage: its number, named files, layouts, codes, media, forms.

    forms: from a list of tables that describe deliveries, and the option that holds it.
    decks: the layouts of all decks in a job of several. personal: fields that the job itself calls
    personal.
    """

    number: int
    files: Mapping[str, Path]
    layout: Callable[[str], Layout]
    layout_bytes: Callable[[str], bytes]
    code: Callable[[str], CodeTable]
    medium: Callable[[Mapping[str, object]], Medium[Any]]
    forms: Callable[[Sequence[Mapping[str, object]], str], list[Form[Any]]]
    decks: DeckLayouts | None = None
    personal: frozenset[str] = frozenset()


FEW = 20
"""Cards of a deck so small that a share of it means: unless all of them fail."""

_SHARE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*%\s*$")


def _is_a_limit(limit: int | str) -> int | str:
    if isinstance(limit, str) and not _SHARE.match(limit):
        msg = "should be a number of cards or a share such as '5 %'"
        raise ValueError(msg)
    return limit


Limit = Annotated[int | str, AfterValidator(_is_a_limit)]
"""An option: a number of cards, or a share of the deck such as '5 %'."""


@dataclass(frozen=True, slots=True)
class Most:
    """A limit: so many cards, and how the job says it."""

    cards: int
    text: str

    @classmethod
    def of(cls, limit: int | str, cards: int) -> Self:
        """Return the limit that an option sets for a run of so many cards that are data.

        A share above 0 % stops a deck of fewer than 20 cards only when every card fails, and a
        deck of one card never.
        """
        share = _SHARE.match(str(limit))
        if share is None:
            return cls(int(limit), f"{int(limit):,} cards")
        most = int(cards * float(share[1]) / 100)
        if 0 < cards < FEW and float(share[1]) > 0:
            # such as a few repaired cards: only when all fail is something wrong with the deck
            most = max(most, cards - 1, 1)
            return cls(most, f"{limit}, and of fewer than {FEW} cards all but one")
        return cls(most, str(limit))


_GUARDED = {
    "__init__": None, "outline": Known, "most_returned": (Most, type(None)), "masters": dict,
    "prepare": None, "open": None, "finish": dict, "run": None, "group_fields": list,
    "keys": list, "files": dict, "write": list, "beside": dict, "next_masters": None,
    "carried_files": None,
    "master_account": None, "completes": list, "complete": None, "form_of": str, "schema_of": dict,
    "fold": None, "join": None, "returned_sums": (list, type(None)), "tables": dict,
}  # fmt: skip


class Stage(ABC, Generic[ConfigT]):
    """One step of a chain. Made once in each process; holds no state between trays."""

    kind: ClassVar[str]
    config_model: ClassVar[type[StageConfig]]
    origin: ClassVar[str] = UNNAMED
    """The distribution that brought it."""
    derived: frozenset[str] = frozenset()
    """Fields that this stage takes over from the master record that it enters with `Book.met`."""

    @override
    def __init_subclass__(cls, **kwargs: object) -> None:
        super().__init_subclass__(**kwargs)
        for base in getattr(cls, "__orig_bases__", ()):
            for argument in get_args(base):
                if isinstance(argument, type) and issubclass(argument, StageConfig):
                    cls.config_model = argument
        guard(cls, Stage, _GUARDED)

    def __init__(self, config: ConfigT, setting: Setting) -> None:
        self.config = config
        self.setting = setting

    def outline(self, known: Known) -> Known:
        """Check the options against what is known before the run; return what is known after.

        Raises:
            OptionProblem: an option names something that is not there or does not fit.
        """
        return known

    def most_returned(self, cards: int) -> Most | None:
        """Return how many returned cards this stage bears, of `cards` that are data; None = any."""

    def masters(self) -> dict[str, int]:
        """Return the masters that this stage meets cards with, each with its number of records."""
        return {}

    def tables(self) -> dict[str, Table]:
        """Return the tables that this stage keeps, by name; `Book.rows` enters their rows.

        Each is delivered as NAME.csv with its schema, in the order of the cards.
        """
        return {}

    def prepare(self, bench: Bench) -> None:
        """Do what is done once a run, before the first card, in the main process."""

    def open(self, bench: Bench) -> None:
        """Do what is done once in each process that runs this stage."""

    def finish(self, closing: Closing) -> dict[str, int | str]:
        """Do what is done once a run, after the last card; return facts for the control sheet."""
        return dict(closing.tallies)

    def carried_files(self) -> dict[str, str]:
        """Return the deliveries that are the next state of a file carried from run to run.

        Each file with the name that the job's `[files]` give to its present state, which the stage
        reads at `setting.files`: a register, a running total. A master belongs in `next_masters`.
        """
        return {}

    def next_masters(self) -> dict[str, str]:
        """Return the deliveries that are the next state of a master.

        Each file with the name of that master in the job's `[files]`. A delivery that no stage
        declares here never becomes the next master of a service.
        """
        return {}

    def master_account(self, file: str, closing: Closing) -> MasterAccount:
        """Return how a delivery declared in `next_masters` follows from the master that was read.

        Asked once for each of them, after `finish`.
        """
        raise NotImplementedError


class TrayStage(Stage[ConfigT]):
    """A stage that takes any tray in any order."""

    @abstractmethod
    def run(self, tray: Tray, book: Book) -> Tray:
        """Return the cards that go on; enter all others in the book."""


class GroupStage(TrayStage[ConfigT]):
    """A stage that needs whole groups; its trays never split a group of equal keys.

    Either a sort on these fields (or on these and more) comes before it in the chain, or the cards
    of each group lie together and no group comes again once it was left.
    """

    @abstractmethod
    def group_fields(self) -> list[str]:
        """Return the fields whose equal values make a group."""

    def returned_sums(self) -> list[str] | None:
        """Ask for the cards of each group that earlier stages returned: `Book.lacking` counts them.

        Returns:
            The number fields to be added up over them, perhaps none; None = nothing is asked.
        """
        return None


class SourceStage(TrayStage[ConfigT]):
    """The first stage of a chain: brings cards from a medium."""

    medium: Medium[Any]


@dataclass(frozen=True, slots=True)
class SortKey:
    """One key of a sort.

    collate: bytes (256), rank of each internal byte; None = as ASCII, or by value for numbers.
    values: texts in the order wanted, all others after them.
    """

    field: str
    descending: bool = False
    missing_first: bool = False
    collate: bytes | None = None
    values: tuple[str, ...] = ()


class SortStage(Stage[ConfigT]):
    """A stage that puts cards in order; it declares keys, the engine does the work."""

    @abstractmethod
    def keys(self) -> list[SortKey]:
        """Return the keys, major first."""


class SinkStage(Stage[ConfigT]):
    """A stage that writes deliveries; the cards go on unchanged."""

    @abstractmethod
    def files(self) -> dict[str, bytes]:
        """Return the names of the files that it writes, each with its first bytes (a header)."""

    @abstractmethod
    def write(self, tray: Tray, book: Book) -> list[Part]:
        """Return what this tray puts into each file."""

    def beside(self) -> dict[str, bytes]:
        """Return files that go beside the deliveries, such as a schema."""
        return {}

    def form_of(self, file: str) -> str:  # noqa: ARG002 # for others
        """Return what a file is in a word, for the control sheet; "" = nothing is said."""
        return ""

    def schema_of(self, file: str) -> dict[str, Any]:  # noqa: ARG002 # for others
        """Return the table schema of a file; {} = it has none."""
        return {}

    def completes(self) -> list[str]:
        """Return the files that are made after the last card, of what `write` gives for them."""
        return []

    def complete(self, file: str, pieces: Iterator[bytes], place: Path, bench: Bench) -> None:
        """Make such a file at `place`, of the data of its parts in the order of the cards.

        Asked once a run for each of them, before `finish`, in the main process.
        """
        raise NotImplementedError


class FinishStage(Stage[ConfigT]):
    """A stage that works on the deliveries; cards pass it by.

    Its `finish` is called once a run, after that of all other stages and before the manifest is
    made: it finds every file of `out` in `closing.deliveries`, and writes by `closing.write`.
    """

    @abstractmethod
    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        """Work on the deliveries; return facts for the control sheet."""
