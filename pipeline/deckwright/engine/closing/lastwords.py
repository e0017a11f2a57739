"""What stages say after the last card: rows of no card, and faults of the run as a whole."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from itertools import islice

from deckwright.engine.closing.ending import Ending
from deckwright.engine.passes.parts import sha256_of
from deckwright.engine.passes.tablerows import part_of, schema_of, sealed_frame
from deckwright.engine.planning.plan import Step
from deckwright.errors import RefusedRunError
from deckwright.plugin.tables import Column, file_of, schema_beside, table_named
from deckwright.plugin.values import RunSeverity
from deckwright.report.model import TableLine

ROWS_ON_SHEET = 12
"""Rows of a table that the control sheet shows."""

_HEADS = {"card": "Card of the run", "deck": "Deck", "card_in_deck": "Card of the deck"}


def add_rows(ending: Ending, step: Step, table: str, columns: Mapping[str, Column]) -> None:
    """Enter rows that belong to no card into a table of a stage; `write_rows` appends them.

    Raises:
        ValueError: the table is not declared so.
    """
    frame = table_named(step.stage.tables(), table).frame(table, columns)
    frame = sealed_frame(frame, ending.plan.personal, ending.plan.seal)
    ending.late_rows.append(part_of(table, frame, None, ending.decks))


def write_rows(ending: Ending) -> None:
    """Append the rows that a stage entered after the last card to its tables."""
    late, ending.late_rows = ending.late_rows, []
    for name in dict.fromkeys(part.file for part in late):
        path = ending.run / "out" / name
        rows, _, _ = ending.outputs[name]
        with path.open("ab") as file:
            for part in late:
                if part.file == name:
                    file.write(part.data)
                    rows += part.rows
        # hashed anew, since the file was closed; a table is small beside the deliveries
        ending.outputs[name] = (rows, path.stat().st_size, sha256_of(path))


def add_fault(
    ending: Ending, step: Step, reason: str, detail: str, severity: RunSeverity = "query"
) -> None:
    """Enter a fault of the run as a whole.

    Raises:
        RefusedRunError: it is fatal.
    """
    if severity == "fatal":
        raise RefusedRunError(step.label, reason, detail)
    ending.run_faults.append(
        {"stage": step.number, "severity": severity, "reason": reason, "detail": detail}
    )


def table_schemas(step: Step) -> dict[str, bytes]:
    """Return the files that go beside the tables of a stage."""
    found: dict[str, bytes] = {}
    for name, table in step.stage.tables().items():
        found |= schema_beside(file_of(name), schema_of(table))
    return found


def table_entries(ending: Ending) -> list[dict[str, object]]:
    """Return what control.json says of tables."""
    return [
        {"stage": step.number, "table": name, "rows": ending.outputs[file_of(name)][0]}
        for step in ending.plan.steps
        for name in step.stage.tables()
    ]


def table_lines(ending: Ending) -> list[TableLine]:
    """Return the tables that stand on the control sheet, with their first rows."""
    found = []
    for step in ending.plan.steps:
        for name, table in step.stage.tables().items():
            if table.on_sheet:
                file = file_of(name)
                path = ending.run / "out" / file
                with path.open(encoding="utf-8", newline="") as lines:
                    heads, *rows = islice(csv.reader(lines), ROWS_ON_SHEET + 1)
                numbers = [
                    place
                    for place, head in enumerate(heads)
                    if table.columns.get(head, "whole") in {"whole", "decimal"} and head != "deck"
                ]
                total = ending.outputs[file][0]
                shown = [_HEADS.get(head, head) for head in heads]
                found.append(TableLine(table.title or name, file, shown, rows, numbers, total))
    return found
