"""Which files a stage fills while cards go through it."""

from __future__ import annotations

from typing import Any

from deckwright.plugin.stages import SinkStage, Stage
from deckwright.plugin.tables import CARD_COLUMNS, Table, file_of


def heads_of(stage: Stage[Any]) -> dict[str, bytes]:
    """Return these files, deliveries and tables, each with its first bytes."""
    found = dict(stage.files()) if isinstance(stage, SinkStage) else {}
    return found | {file_of(name): _head(table) for name, table in stage.tables().items()}


def _head(table: Table) -> bytes:
    """Return the first line of a table's file."""
    return ",".join([*CARD_COLUMNS, *table.columns]).encode() + b"\r\n"
