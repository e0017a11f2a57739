"""Decks of 80-column cards: read, checked, sorted, matched, copied, delivered, accounted for.

The names here are the plugin API; nothing else of the package is promised to plugins.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from deckwright.cards.bitlayouts import BIT_LAYOUTS, BitLayout, BitsName, bit_layout
    from deckwright.cards.codes import ILLEGAL, Alphabet, CodeTable, UnfitCodeError
    from deckwright.cards.collate import collating_ranks
    from deckwright.cards.holes import PATTERNS, ROWS, format_pattern, row_bit
    from deckwright.cards.matrix import blank_rows, cut, rows_of
    from deckwright.cards.values import Values
    from deckwright.cards.wrappings import Wrapping, wrapping_of
    from deckwright.errors import DeckwrightError, MasterError, UnreadableDeckError
    from deckwright.jobs.base import ConfigModel
    from deckwright.layout.expressions import Expression, series, values_of
    from deckwright.layout.formatting import plain_digits
    from deckwright.layout.reading import Layout
    from deckwright.layout.tray import Tray, as_mask, kept_rows, legal_patterns, undefined
    from deckwright.plugin.book import Book
    from deckwright.plugin.hooks import hookimpl
    from deckwright.plugin.media import (
        BLANK,
        WIDEST,
        Medium,
        MediumConfig,
        OddCards,
        RawTray,
        Span,
        Survey,
        UnwritableError,
        cut_spans,
        first_columns,
        read_exactly,
        read_records,
        strangers,
        survey_records,
    )
    from deckwright.plugin.notices import Notice, NoticeConfig
    from deckwright.plugin.shapes import own_fields, shapes_of
    from deckwright.plugin.stages import (
        Bench,
        Closing,
        FieldShape,
        GroupStage,
        Known,
        Limit,
        Most,
        OptionProblem,
        Part,
        Setting,
        SinkStage,
        SortKey,
        SortStage,
        SourceStage,
        Stage,
        StageConfig,
        TrayStage,
        unknown_name,
    )

_HOMES = {
    "cards.bitlayouts": ("BIT_LAYOUTS", "BitLayout", "BitsName", "bit_layout"),
    "cards.codes": ("ILLEGAL", "Alphabet", "CodeTable", "UnfitCodeError"),
    "cards.holes": ("PATTERNS", "ROWS", "format_pattern", "row_bit"),
    "cards.collate": ("collating_ranks",),
    "cards.matrix": ("blank_rows", "cut", "rows_of"),
    "cards.values": ("Values",),
    "cards.wrappings": ("Wrapping", "wrapping_of"),
    "errors": ("DeckwrightError", "MasterError", "UnreadableDeckError"),
    "jobs.base": ("ConfigModel",),
    "layout.expressions": ("Expression", "series", "values_of"),
    "layout.formatting": ("plain_digits",),
    "layout.reading": ("Layout",),
    "layout.tray": ("Tray", "as_mask", "kept_rows", "legal_patterns", "undefined"),
    "plugin.book": ("Book",),
    "plugin.hooks": ("hookimpl",),
    "plugin.media": (
        "BLANK", "WIDEST", "Medium", "MediumConfig", "OddCards", "RawTray", "Span", "Survey",
        "UnwritableError", "cut_spans", "first_columns", "read_exactly", "read_records",
        "strangers", "survey_records",
    ),
    "plugin.notices": ("Notice", "NoticeConfig"),
    "plugin.shapes": ("own_fields", "shapes_of"),
    "plugin.stages": (
        "Bench", "Closing", "FieldShape", "GroupStage", "Known", "Limit", "Most",
        "OptionProblem", "Part", "Setting", "SinkStage", "SortKey", "SortStage", "SourceStage",
        "Stage", "StageConfig", "TrayStage", "unknown_name",
    ),
}  # fmt: skip
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "BIT_LAYOUTS",
    "BLANK",
    "ILLEGAL",
    "PATTERNS",
    "ROWS",
    "WIDEST",
    "Alphabet",
    "Bench",
    "BitLayout",
    "BitsName",
    "Book",
    "Closing",
    "CodeTable",
    "ConfigModel",
    "DeckwrightError",
    "Expression",
    "FieldShape",
    "GroupStage",
    "Known",
    "Layout",
    "Limit",
    "MasterError",
    "Medium",
    "MediumConfig",
    "Most",
    "Notice",
    "NoticeConfig",
    "OddCards",
    "OptionProblem",
    "Part",
    "RawTray",
    "Setting",
    "SinkStage",
    "SortKey",
    "SortStage",
    "SourceStage",
    "Span",
    "Stage",
    "StageConfig",
    "Survey",
    "Tray",
    "TrayStage",
    "UnfitCodeError",
    "UnreadableDeckError",
    "UnwritableError",
    "Values",
    "Wrapping",
    "as_mask",
    "bit_layout",
    "blank_rows",
    "collating_ranks",
    "cut",
    "cut_spans",
    "first_columns",
    "format_pattern",
    "hookimpl",
    "kept_rows",
    "legal_patterns",
    "own_fields",
    "plain_digits",
    "read_exactly",
    "read_records",
    "row_bit",
    "rows_of",
    "series",
    "shapes_of",
    "strangers",
    "survey_records",
    "undefined",
    "unknown_name",
    "values_of",
    "wrapping_of",
]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for, so that `--help` stays quick."""
    if name not in _HOME_OF:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    value = getattr(importlib.import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value
