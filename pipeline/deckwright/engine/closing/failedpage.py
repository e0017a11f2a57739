"""The page of a run that was stopped since too many cards failed, beside its place."""

from __future__ import annotations

from itertools import count
from pathlib import Path

from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.reasoncounts import reason_counts
from deckwright.engine.closing.returning import returned_so_far
from deckwright.engine.closing.sheetdata import returned_groups, some_of
from deckwright.errors import TooManyReturnedError
from deckwright.report.model import ReasonLine
from deckwright.report.pages.failed import FailedRun, failed_page

_MOST = 2_000
"""Failed cards that are looked at."""


def write_failed_page(ending: Ending, error: TooManyReturnedError, out: Path) -> str:
    """Write the page beside the place of the run folder, never over another; return its path.

    The same page from an earlier run stands for this one. Where it cannot be written, the run is
    stopped all the same, and the path is empty.
    """
    back = returned_so_far(ending, _MOST)
    groups = returned_groups(ending, back.groups)
    page = failed_page(
        FailedRun(
            ending.plan.spec.title,
            [deck.name for deck in ending.decks],
            error.sentence,
            error.hint,
            ending.plan.path.name,
            error.stage,
            error.returned,
            [
                ReasonLine(stage, reason, field, severity, cards, detail)
                for (stage, severity, reason, field, detail), cards in reason_counts(
                    ending.reasons
                ).items()
                if severity == "fatal"
            ],
            some_of(groups),
            back.places.places(),
        )
    )
    try:
        return str(_written(out, page.encode("utf-8")))
    except OSError:
        return ""


def _written(out: Path, page: bytes) -> Path:
    for number in count(1):
        path = out.with_name(f"{out.name}-failed{f'-{number}' if number > 1 else ''}.html")
        try:
            with path.open("xb") as file:
                file.write(page)
        except FileExistsError:
            if path.is_file() and path.read_bytes() == page:
                return path
        else:
            return path
    raise AssertionError
