"""What is around a run ends it: places that cannot be written, readers that go, signals."""

from __future__ import annotations

from deckwright.errors.base import DeckwrightError


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
