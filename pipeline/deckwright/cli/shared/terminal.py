"""What the other side of the standard output can show."""

from __future__ import annotations

import os
import shutil
import sys

_FALLBACK = 100
"""Characters in a line where the output goes into a file or a pipe."""

_LEAST, _MOST = 40, 120


def width() -> int:
    """Return how many characters a line of text should have at most."""
    columns = shutil.get_terminal_size((_FALLBACK, 24)).columns
    if not sys.stdout.isatty() and "COLUMNS" not in os.environ:
        columns = _FALLBACK
    return max(_LEAST, min(_MOST, columns))


def ascii_only() -> bool:
    """Return whether the output should keep to ASCII: by its encoding, or by the locale."""
    named = next(filter(None, map(os.environ.get, ("LC_ALL", "LC_CTYPE", "LANG"))), "")
    encoding = (getattr(sys.stdout, "encoding", None) or "utf-8").lower()
    return named in {"C", "POSIX"} or encoding in {"ascii", "us-ascii", "ansi_x3.4-1968"}
