"""What all errors have in common, and one fault of a file."""

from __future__ import annotations

from dataclasses import dataclass

from typing_extensions import override


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
