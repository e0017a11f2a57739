"""The files of a run folder, in words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.outfiles import files_below
from deckwright.engine.closing.returning import REASONS
from deckwright.report.model import FileLine

RETURNED_PAGE = "returned.html"

_BESIDE = {
    "-without-card.csv": "master records without a card",
    ".schema.json": "names, types, titles and units of the columns of a delivery",
    ".layout.toml": "layout of the lines of a delivery",
    "reading.html": "reading report: how each picture was read",
    "reading.csv": "the same as a table, a line a card",
    "reading.parquet": "the same with every probability",
    "not-read.csv": "files of the deck that are no pictures",
}
_ALWAYS = (
    ("control.json", "the counts of this page, for programs"),
    ("log.jsonl", "the run, told line by line, for programs"),
    ("manifest.json", "size and SHA-256 of every file"),
    ("config/job.toml", "the job as it was run"),
)


def run_files(ending: Ending, *, returned_page: bool) -> list[FileLine]:
    """Return the files that stand, or will, in the run folder beside the deliveries."""
    return list(_lines(ending, returned_page=returned_page))


def _lines(ending: Ending, *, returned_page: bool) -> Iterator[FileLine]:
    run = ending.run
    if returned_page:
        yield FileLine(RETURNED_PAGE, "returned cards drawn, by reason")
    for path in _in(run / "returned"):
        if path.name == REASONS:
            yield FileLine(f"returned/{path.name}", "every reason of every returned card")
        else:
            yield FileLine(f"returned/{path.name}", "returned cards, to be repaired and run again")
    for path in _in(run / "set-aside"):
        yield FileLine(f"set-aside/{path.name}", "cards that were left out")
    for name in ("queries.csv", "notes.csv"):
        if (run / name).is_file():
            kind = name.removesuffix(".csv")
            yield FileLine(name, f"{kind} about cards that were kept")
    for parts, _ in sorted(files_below(run / "out")):
        name = "/".join(parts)
        if name not in ending.outputs:
            ends = (holds for end, holds in _BESIDE.items() if name.endswith(end))
            yield FileLine(f"out/{name}", next(ends, "written by a stage"))
    yield from (FileLine(path, holds) for path, holds in _ALWAYS)


def _in(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.is_file())
