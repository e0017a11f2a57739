"""Run the job that the guide gives on a folder of pictures, and take up what it delivered."""

from __future__ import annotations

import csv
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .geometry import COLUMNS, ROW_NAMES, ROWS

JOB = """title = "Box of invented cards"

[[stage]]
kind = "decode"
medium = {{ kind = "pictures"{more} }}
most_returned = "100 %"

[[stage]]
kind = "emit"

[[stage.output]]
file = "cards.holes"
form = "deck"
medium = {{ kind = "transcript" }}
"""
COMMAND = [sys.executable, "-c", "from deckwright.cli.main import main; main()"]


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one card that was found on a picture."""

    picture: str
    fate: str
    """`delivered`, `set aside` or `returned`."""
    kind: str
    reasons: tuple[str, ...]
    asked: int
    """Columns that a person is asked about."""
    holes: NDArray[np.bool_] | None
    """What was delivered."""
    turn: str


def run_box(work: Path, folder: Path, more: str = "") -> list[Row]:
    """Run the job on a folder; `more` is added to the medium. Raise if the run fails."""
    job = work / "box.toml"
    job.write_text(JOB.format(more=more))
    out = work / "run"
    command = [*COMMAND, "run", str(job), str(folder), "--out", str(out)]
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    if told.returncode:
        problem = f"the run ended with {told.returncode}: {told.stdout} {told.stderr}"
        raise RuntimeError(problem)
    return taken_up(out)


def taken_up(out: Path) -> list[Row]:
    """Return what became of each card, from the files of a run."""
    reasons: dict[str, list[str]] = {}
    returned = out / "returned" / "reasons.csv"
    if returned.exists():
        for line in _lines(returned):
            reasons.setdefault(line["card"], []).append(line["reason"])
    delivered = _transcript(out / "out" / "cards.holes")
    rows: list[Row] = []
    used = 0
    for line in _lines(out / "out" / "reading.csv"):
        fate = "delivered"
        if line["card"] in reasons:
            fate = "returned"
        elif line["kind"] != "card":
            fate = "set aside"
        holes = None
        if fate == "delivered":
            holes = delivered[used]
            used += 1
        asked = 0
        if fate == "returned":
            asked = int(line["unsure_columns"]) if line["state"] == "look" else COLUMNS
        rows.append(
            Row(
                # a card of a page has the name of its page and its own
                picture=line["picture"].rsplit("/", 1)[-1].split(".card-")[0],
                fate=fate,
                kind=line["kind"],
                reasons=tuple(dict.fromkeys(reasons.get(line["card"], ()))),
                asked=asked,
                holes=holes,
                turn=line["turn"],
            )
        )
    if used != len(delivered):
        problem = f"{len(delivered)} cards were delivered, and {used} of them are in the report"
        raise RuntimeError(problem)
    return rows


def _lines(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _transcript(path: Path) -> list[NDArray[np.bool_]]:
    """Return the cards of a transcript as 12 rows by 80 columns."""
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    cards = []
    for part in text.split("\n\n"):
        lines = part.split()
        if not lines:
            continue
        holes = np.zeros((ROWS, COLUMNS), bool)
        for column, line in enumerate(lines):
            for row in () if line == "blank" else line.split("-"):
                holes[ROW_NAMES.index(row), column] = True
        cards.append(holes)
    return cards
