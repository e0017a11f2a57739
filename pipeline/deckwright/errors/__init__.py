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

from deckwright.errors.base import (
    DeckwrightError,
    Fault,
)
from deckwright.errors.decks import (
    CutOffDeckError,
    DeckError,
    GroupError,
    GroupReturnsError,
    GroupTooLargeError,
    PluginFailedError,
    RefusedRunError,
    StageError,
    TooManyReturnedError,
    UnreadableDeckError,
)
from deckwright.errors.ends import (
    InterruptedRunError,
    OutputError,
    ReaderGoneError,
    RestartError,
    WorkspaceError,
)
from deckwright.errors.given import (
    ConfigError,
    DeckNamesError,
    MasterError,
    MissingDeckError,
    OneDeckError,
    UnknownDeckError,
    UnnamedDeckError,
)
from deckwright.errors.plugins import (
    NAMED,
    AccountError,
    CarriedFileError,
    DuplicateKindError,
    ObserverError,
    PluginError,
    PluginLoadError,
    UnknownKindError,
)

__all__ = [
    "NAMED",
    "AccountError",
    "CarriedFileError",
    "ConfigError",
    "CutOffDeckError",
    "DeckError",
    "DeckNamesError",
    "DeckwrightError",
    "DuplicateKindError",
    "Fault",
    "GroupError",
    "GroupReturnsError",
    "GroupTooLargeError",
    "InterruptedRunError",
    "MasterError",
    "MissingDeckError",
    "ObserverError",
    "OneDeckError",
    "OutputError",
    "PluginError",
    "PluginFailedError",
    "PluginLoadError",
    "ReaderGoneError",
    "RefusedRunError",
    "RestartError",
    "StageError",
    "TooManyReturnedError",
    "UnknownDeckError",
    "UnknownKindError",
    "UnnamedDeckError",
    "UnreadableDeckError",
    "WorkspaceError",
]
