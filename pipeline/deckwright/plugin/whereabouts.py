"""Where in a plugin an error came up."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType


def where(error: BaseException, module: str) -> str:
    """Return `file.py:12`: the last line of a plugin that was at work when an error came up.

    Args:
        error: what was raised.
        module: of the plugin; other modules of its package count as the plugin too.

    Returns:
        "" if no line of the plugin was at work.
    """
    package = module.partition(".")[0]
    found = ""
    for name, file, line in _lines(error.__traceback__):
        if name == module or (name.partition(".")[0] == package and package != "deckwright"):
            found = f"{Path(file).name}:{line}"
    return found


def _lines(place: TracebackType | None) -> Iterator[tuple[str, str, int]]:
    """Yield module, file and line of each call."""
    while place is not None:
        frame = place.tb_frame
        yield str(frame.f_globals.get("__name__", "")), frame.f_code.co_filename, place.tb_lineno
        place = place.tb_next
