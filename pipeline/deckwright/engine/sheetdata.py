"""What the control sheet and the journal's index say of a run."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from deckwright.cards.codes import CodeTable
from deckwright.engine.ending import Ending
from deckwright.engine.plan import Pass
from deckwright.engine.returning import First
from deckwright.engine.tasks import added_base
from deckwright.layout.tray import Tray
from deckwright.plugin.stages import SinkStage
from deckwright.report.model import (
    CardLine,
    ControlData,
    DeckLine,
    OutputLine,
    ReasonLine,
    StageLine,
)

CARDS_DRAWN = 12


def sheet_data(
    ending: Ending, control: Mapping[str, Any], first: First, versions: Mapping[str, str]
) -> ControlData:
    """Return what the control sheet shows."""
    return ControlData(
        title=control["title"],
        decks=[DeckLine(d["name"], d["cards"], d["size"], d["sha256"]) for d in control["decks"]],
        stages=[_stage(stage) for stage in control["stages"]],
        equation_holds=control["equation"]["holds"],
        reasons=[
            ReasonLine(r["stage"], r["reason"], r["field"], r["severity"], r["cards"], r["detail"])
            for r in control["reasons"]
        ],
        outputs=[
            OutputLine(o["file"], _form(ending, o["file"]), o["rows"], o["size"], o["sha256"])
            for o in control["outputs"]
        ],
        returned_cards=_cards(ending, first),
        versions=versions,
    )


def _form(ending: Ending, file: str) -> str:
    for step in ending.plan.steps:
        for output in getattr(step.stage.config, "output", []):
            if output.file == file:
                return str(output.form)
    return ""


def _stage(stage: Mapping[str, Any]) -> StageLine:
    return StageLine(
        stage["number"], stage["kind"], stage["title"], stage["in"], stage["added"], stage["out"],
        stage["returned"], stage["set_aside"], stage["queries"], stage["facts"],
    )  # fmt: skip


def _cards(ending: Ending, first: First) -> list[CardLine]:
    return [
        line
        for tray, entries in zip(first.trays, first.entries, strict=True)
        for line in _lines(ending, tray, entries.filter(pl.col("severity") == "fatal"))
    ]


def _lines(ending: Ending, first: Tray, fatal: pl.DataFrame) -> list[CardLine]:
    lines = []
    for place, card in enumerate(first.cards.tolist()):
        text = first.text[place]
        holes = None if first.holes is None else first.holes[place]
        marks = [
            (row["column"] or row["first"] or 0, row["column"] or row["last"] or 0, _sentence(row))
            for row in fatal.filter(pl.col("card") == card).iter_rows(named=True)
        ]
        deck = next(d.name for d in reversed(ending.decks) if d.first <= card)
        lines.append(
            CardLine(
                card,
                _patterns(text, holes, first.code),
                _printed(text, first.code),
                marks,
                deck if len(ending.decks) > 1 else "",
            ),
        )
    return lines


def _sentence(row: Mapping[str, Any]) -> str:
    field = f"{row['field']}: " if row["field"] else ""
    found = f" (found {row['found']!r})" if row["found"] and len(row["found"]) < 40 else ""  # noqa: PLR2004 # a whole record is not repeated
    return f"{field}{row['detail'] or row['reason']}{found}"


def _printed(text: np.ndarray[Any, np.dtype[np.uint8]], code: CodeTable) -> str:
    plain = code.alphabet.decode(text.tobytes())
    return "".join(c if c.isprintable() else "\ufffd" for c in plain)


def _patterns(
    text: np.ndarray[Any, np.dtype[np.uint8]],
    holes: np.ndarray[Any, np.dtype[np.uint16]] | None,
    code: CodeTable,
) -> np.ndarray[Any, np.dtype[np.uint16]] | None:
    if len(text) != 80:  # noqa: PLR2004 # only a card is drawn as one
        return None
    if holes is not None:
        return holes
    if code.to_holes is None:
        return None
    patterns = code.to_holes[text]
    return np.where(patterns < 0, 0, patterns).astype(np.uint16)


def index_of(ending: Ending, control: Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of the journal's index."""
    return {
        "stages": [_stage_entry(ending, step.number) for step in ending.plan.steps],
        "decks": control["decks"],
        "passes": [
            _pass_entry(ending, todo, number) for number, todo in enumerate(ending.plan.passes)
        ],
        "outputs": _outputs(ending),
        "added_base": added_base(ending.decks),
    }


def _stage_entry(ending: Ending, number: int) -> dict[str, Any]:
    step = ending.plan.steps[number - 1]
    entry: dict[str, Any] = {
        "number": number,
        "kind": step.kind,
        "title": step.stage.config.title,
        "origin": step.origin,
    }
    layout = getattr(step.stage, "layout", None) or step.before.layout
    if layout is not None:
        entry["columns"] = {
            f"{first}_{last}": name
            for name in reversed(layout.field_names)  # a field has the last word over its flag
            for first, last in layout.columns(name)
        }
    return entry


def _pass_entry(ending: Ending, todo: Pass, number: int) -> dict[str, Any]:
    tasks = []
    place = 0
    for result in ending.results[number]:
        tasks.append(
            {
                "name": f"p{todo.number}-{result.task:05}",
                "first_card": result.first_card,
                "arrived": result.arrived,
                "left": result.left,
                "place": place,
            },
        )
        place += result.arrived
    return {
        "number": todo.number,
        "stages": [step.number for step in todo.steps],
        "sort": todo.sort.number if todo.sort else 0,
        "resumes": todo.resumes,
        "tasks": tasks,
    }


def _outputs(ending: Ending) -> list[dict[str, Any]]:
    found = []
    for number, todo in enumerate(ending.plan.passes):
        for step in todo.steps:
            if isinstance(step.stage, SinkStage):
                for name, head in step.stage.files().items():
                    rows = [
                        sum(part.rows for part in result.parts if part.file == name)
                        for result in ending.results[number]
                    ]
                    found.append(
                        {
                            "file": name,
                            "pass": todo.number,
                            "stage": step.number,
                            "head_lines": head.count(b"\n"),
                            "rows": rows,
                        },
                    )
    return found
