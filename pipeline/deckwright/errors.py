"""The errors a user may meet, each with its exit code.

    DeckwrightError                 1
    |- ConfigError                  2   a job, layout or code file is wrong, with file and line
    |- DeckNamesError               2   decks of a run are not those that the job names
    |  |- UnnamedDeckError
    |  |- UnknownDeckError
    |  |- MissingDeckError
    |  `- OneDeckError
    |- PluginError                  3   a plugin is missing, broken or misbehaves
    |  |- UnknownKindError
    |  |- PluginLoadError
    |  |- DuplicateKindError
    |  |- ObserverError
    |  |- AccountError                  a stage lost, doubled or renumbered cards
    |  `- CarriedFileError              a next master that does not follow from the one before
    |- DeckError                    4   the deck cannot be run
    |  |- UnreadableDeckError
    |  |  `- CutOffDeckError
    |  |- TooManyReturnedError
    |  |- GroupError
    |  |  |- GroupTooLargeError
    |  |  `- GroupReturnsError
    |  `- StageError                    3   a plugin raised
    |     `- PluginFailedError
    |- MasterError                  4   the master cannot be used
    |- OutputError                 73   the run folder cannot be written
    |- RestartError                75   the service must begin anew, or another one works here
    |- WorkspaceError              78   the workspace cannot be used as it is
    |- ReaderGoneError            141   nobody reads what is printed any more; says nothing
    `- InterruptedRunError        130   stopped by a signal (143 for SIGTERM)

Anything else is a defect of the program and keeps its traceback.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from typing_extensions import override

from deckwright.wording import nearest

NAMED = 5
"""Cards that a message names."""


class DeckwrightError(Exception):
    """A fault that a user can put right; shown as one sentence."""

    exit_code = 1

    @override
    def __reduce__(self) -> tuple[object, ...]:
        """Travel between processes whole: message, facts and all."""
        return _rebuild, (type(self), self.args, self.__dict__)


def _rebuild(
    kind: type[DeckwrightError], args: tuple[object, ...], facts: dict[str, object]
) -> DeckwrightError:
    error = kind.__new__(kind, *args)
    error.args = args
    error.__dict__.update(facts)
    return error


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault in a config file: file name, line (from 1, 0 = the file as a whole), sentence."""

    file: str
    line: int
    what: str

    @override
    def __str__(self) -> str:
        """Return `file:line: what`."""
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.what}"


class ConfigError(DeckwrightError):
    """One or more config files are wrong; `faults` holds every one of them."""

    exit_code = 2

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = sorted(set(faults))
        super().__init__("\n".join(str(fault) for fault in self.faults))


class DeckNamesError(DeckwrightError):
    """The decks that a run is given are not those that its job names."""

    exit_code = 2


class UnnamedDeckError(DeckNamesError):
    """A deck comes without a name to a job of several. call: how decks are given."""

    def __init__(self, path: str, names: list[str], call: str) -> None:
        self.path, self.names = path, names
        listed = " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
        super().__init__(
            f"{path!r} does not say which deck it is; the job has {listed}, so write {call}"
        )


class UnknownDeckError(DeckNamesError):
    """The job has no deck of this name."""

    def __init__(self, name: str, names: list[str]) -> None:
        self.name, self.names = name, names
        super().__init__(f"the job has no deck {name!r}; {nearest(name, names)}")


class MissingDeckError(DeckNamesError):
    """A deck of the job was not given. call: how decks are given."""

    def __init__(self, name: str, call: str) -> None:
        self.name = name
        super().__init__(f"the deck {name!r} is missing; write {call}")


class OneDeckError(DeckNamesError):
    """A deck comes with a name to a job of one deck, which has none."""

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(f"the job has one deck, without a name; leave out '{name}='")


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


class DeckError(DeckwrightError):
    """The deck cannot be run."""

    exit_code = 4


class RefusedRunError(DeckError):
    """A stage found after the last card that the run as a whole may not stand."""

    def __init__(self, stage: str, reason: str, detail: str) -> None:
        self.stage, self.reason, self.detail = stage, reason, detail
        super().__init__(f"{stage}: {detail} ({reason}); nothing was delivered")


class UnreadableDeckError(DeckError):
    """The medium's bytes do not make whole cards."""

    def __init__(self, deck: str, what: str, remedy: str = "") -> None:
        self.deck, self.what, self.remedy = deck, what, remedy
        super().__init__(f"deck {deck!r} {what}" + (f"; {remedy}" if remedy else ""))


class CutOffDeckError(UnreadableDeckError):
    """A deck ends inside a card. whole: bytes up to there; cards: how many are whole."""

    def __init__(self, deck: str, what: str, remedy: str, whole: int, cards: int) -> None:
        self.whole, self.cards = whole, cards
        super().__init__(deck, what, remedy)


class TooManyReturnedError(DeckError):
    """More cards failed than the job allows. page: the file that shows some of them, if any."""

    def __init__(self, stage: str, returned: int, seen: int, limit: str, hint: str) -> None:
        self.stage, self.returned, self.seen, self.limit = stage, returned, seen, limit
        self.hint, self.page = hint, ""
        super().__init__(self.sentence)

    @property
    def sentence(self) -> str:
        """What happened, without what would help."""
        failed = f"{self.returned:,} of {self.seen:,}"
        return f"{self.stage}: {failed} cards failed, more than most_returned allows ({self.limit})"

    @override
    def __str__(self) -> str:
        """Return what happened, what would help, and where it can be seen."""
        page = f"; {self.page} shows the first failed cards" if self.page else ""
        return f"{self.sentence}; {self.hint}; nothing was delivered{page}"


class GroupError(DeckError):
    """A group cannot be handed to its stage. told: without what stands on its cards."""

    def __init__(self, stage: str, group: str, what: str, remedy: str) -> None:
        self.stage, self.group, self.remedy = stage, group, remedy
        self.told = f"{stage}: a group {what}"
        super().__init__(f"{stage}: the group {group} {what}; {remedy}; nothing was delivered")


class GroupTooLargeError(GroupError):
    """One group has more cards than fit into memory; found before they are gathered."""

    def __init__(
        self,
        stage: str,
        group: str,
        cards: int,
        most: int,
        memory: str,
        needed: str,
        fields: str,
    ) -> None:
        self.cards, self.most = cards, most
        some = round(most, 1 - len(str(most)) + 1)
        what = (
            f"has {cards:,} cards; with memory = {memory!r} the job holds some {some:,} cards of "
            "one group"
        )
        super().__init__(stage, group, what, f"set memory = {needed!r}, or {fields}")


class GroupReturnsError(GroupError):
    """The cards of a group do not lie together. card: where it comes again, as it is named."""

    def __init__(self, stage: str, group: str, card: str, fields: list[str]) -> None:
        self.card = card
        what = f"comes again at {card}, after cards of another group"
        remedy = f"sort on {', '.join(fields)} before this stage, or put the deck in order"
        super().__init__(stage, group, what, remedy)


_PLACE = re.compile(r"(\([^()]*:\d+\))$")


class StageError(DeckError):
    """A stage raised; names stage, distribution, card range and cause.

    first, last: lowest and highest number in the run of the cards that it had before it, from 1.
    count: how many it had; fewer than lie between the two, as after a sort, are told so; 0 = all.
    named: how they are told instead where the run has several decks.
    """

    exit_code = 3

    def __init__(
        self, stage: str, distribution: str, first: int, last: int, cause: str, count: int = 0
    ) -> None:
        self.stage, self.distribution, self.cause = stage, distribution, cause
        self.first, self.last, self.count, self.named = first, last, count, ""
        super().__init__(stage, distribution, cause)

    def keep_back(self) -> None:
        """Keep back all that was said by what raised but its type and place: it may be personal."""
        kind, _, said = self.cause.partition(": ")
        place = _PLACE.search(said)
        self.cause = f"{kind}{f' {place[1]}' if place else ''}; its words are kept back"
        self.args = (*self.args[:-1], self.cause)
        self.__notes__: list[str] = []

    @override
    def __str__(self) -> str:
        """Return which stage failed on which cards, and why."""
        several = f"cards {self.first:,} to {self.last:,}"
        named = self.named or (f"card {self.first:,}" if self.first == self.last else several)
        some = 0 < self.count <= self.last - self.first
        part = f"{self.count:,} of the " if some else ""
        return f"{self.stage} ({self.distribution}) failed on {part}{named}: {self.cause}"


class PluginFailedError(StageError):
    """A plugin raised where no cards can be named; `stage` says which stage or medium."""

    def __init__(self, plugin: str, distribution: str, method: str, cause: str) -> None:
        super().__init__(plugin, distribution, 0, 0, cause)
        self.method = method

    @override
    def __str__(self) -> str:
        """Return what failed in which of its methods, and why."""
        return f"{self.stage} ({self.distribution}) failed in {self.method}: {self.cause}"


class MasterError(DeckwrightError):
    """The master file cannot be used as the job says."""

    exit_code = 4

    def __init__(self, name: str, what: str) -> None:
        self.name, self.what = name, what
        super().__init__(f"master {name!r} {what}")


class OutputError(DeckwrightError):
    """The run folder cannot be written."""

    exit_code = 73

    def __init__(self, path: str, what: str) -> None:
        self.path, self.what = path, what
        super().__init__(f"{path}: {what}")


class RestartError(DeckwrightError):
    """The service ends so that its next start puts things right; nothing is lost."""

    exit_code = 75


class WorkspaceError(DeckwrightError):
    """The workspace of the service cannot be used until somebody changes something."""

    exit_code = 78


class ReaderGoneError(DeckwrightError):
    """Nobody reads what is printed any more, and the command makes nothing else."""

    exit_code = 141

    def __init__(self) -> None:
        super().__init__("nobody reads the output any more")


class InterruptedRunError(DeckwrightError):
    """The run was stopped by a signal."""

    def __init__(self, signal_number: int) -> None:
        self.exit_code = 128 + signal_number
        super().__init__("stopped by a signal; nothing was delivered, the deck is untouched")
