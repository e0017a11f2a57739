"""Standard output and error of a process whose end does not depend on who listens."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys

from typing_extensions import Buffer, override

from deckwright.errors import DeckwrightError, OutputError, ReaderGoneError


class _Outlet(io.FileIO):
    """The file behind an output.

    Attributes:
        patient: go on in silence when nobody takes what is written; else end the command.
        lost: the first fault of a write that was passed over.
    """

    patient = True
    lost: OSError | None = None

    @override
    def write(self, data: Buffer, /) -> int:
        try:
            return super().write(data) or 0
        except OSError as error:
            # from here on nobody listens, whatever is still in the buffers
            silence(self.fileno())
            if not self.patient:
                raise _ended_by(error) from error
            self.lost = self.lost or error
            return memoryview(data).nbytes


class Streams:
    """The output and the error output of this process."""

    def __init__(self) -> None:
        """Put both in place of those that Python has opened."""
        _fill_closed()
        self._out, self._err = _Outlet(1, "w", closefd=False), _Outlet(2, "w", closefd=False)
        sys.stdout = _text(self._out, sys.stdout, by_line=self._out.isatty())
        sys.stderr = _text(self._err, sys.stderr, by_line=True)

    def output_is_all(self) -> None:
        """Let the command end when nobody takes its output: it makes nothing else."""
        self._out.patient = False

    def lost(self) -> OSError | None:
        """Return why output was lost, if it was for want of room or the like."""
        with contextlib.suppress(DeckwrightError):
            sys.stdout.flush()
        error = self._out.lost
        return None if error is None or error.errno == errno.EPIPE else error


def silence(number: int) -> None:
    """Let what is written to this descriptor from now on vanish."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, number)
    os.close(nowhere)


def _ended_by(error: OSError) -> DeckwrightError:
    if error.errno == errno.EPIPE:  # such as `head`, which has seen enough
        return ReaderGoneError()
    return OutputError("the output", f"cannot be written: {(error.strerror or '').lower()}")


def _fill_closed() -> None:
    """Open what was closed, or the next file opened would stand in for input or output."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one


def _text(outlet: _Outlet, former: object, *, by_line: bool) -> io.TextIOWrapper:
    """Return the text layer; characters that the other side cannot show never stop a command."""
    encoding = getattr(former, "encoding", None) or "utf-8"
    buffer = io.BufferedWriter(outlet)
    return io.TextIOWrapper(buffer, encoding, "backslashreplace", line_buffering=by_line)
