"""What a run is given is wrong: its config files, the names of its decks, its master."""

from __future__ import annotations

from deckwright.errors.base import DeckwrightError, Fault
from deckwright.wording import nearest


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


class MasterError(DeckwrightError):
    """The master file cannot be used as the job says."""

    exit_code = 4

    def __init__(self, name: str, what: str) -> None:
        self.name, self.what = name, what
        super().__init__(f"master {name!r} {what}")
