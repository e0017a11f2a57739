"""Decks of 80-column cards: read, checked, sorted, matched, copied, delivered, accounted for.

The names here are the plugin API; nothing else of the package is promised to plugins.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from deckwright.cards.bitlayouts import BIT_LAYOUTS, BitLayout, BitsName, bit_layout
    from deckwright.cards.codeparts import hole_patterns
    from deckwright.cards.codetable import ILLEGAL, Alphabet, CodeTable, UnfitCodeError
    from deckwright.cards.collate import collating_ranks
    from deckwright.cards.holes import PATTERNS, ROWS, format_pattern, parse_pattern, row_bit
    from deckwright.cards.matrix import blank_rows, cut, rows_of
    from deckwright.cards.values import Values
    from deckwright.errors import DeckwrightError, MasterError, UnreadableDeckError
    from deckwright.identify.wrappings import Wrapping, wrapping_of
    from deckwright.jobs.base import ConfigModel
    from deckwright.layout.decks import DeckLayouts, Decks
    from deckwright.layout.expressions import Expression, series, values_of
    from deckwright.layout.failures import Failure
    from deckwright.layout.formatting import plain_digits
    from deckwright.layout.lastcards import LastCards
    from deckwright.layout.reading import Layout
    from deckwright.layout.tray import Tray, as_mask, kept_rows, legal_patterns, undefined
    from deckwright.pictures.card.geometry import Cut, CutSaid
    from deckwright.pictures.files.intake import (
        CARD_PIXELS,
        PAGE_PIXELS,
        PICTURE_SUFFIXES,
        TIFF_MARKS,
        Loaded,
        PictureError,
        check_picture,
        is_picture,
        jpeg_of,
        load_picture,
        png_of,
        tiff_pages,
    )
    from deckwright.pictures.printed.printed import PrintedOpinion, compare_print
    from deckwright.pictures.printed.recogniser import can_recognise
    from deckwright.pictures.reader.measured import SILENT_LIMIT
    from deckwright.pictures.reader.pages import Box, cards_on_page
    from deckwright.pictures.reader.reading import CardReading, read_card
    from deckwright.pictures.show.cutouts import column_picture, printed_line, upright_card
    from deckwright.pictures.show.labelled import labelled_card, labelled_column
    from deckwright.pictures.simulator.clean import clean_card
    from deckwright.plugin.book import Book
    from deckwright.plugin.columncodes import must_be_without_codes, with_field_codes
    from deckwright.plugin.forms import Form, FormConfig
    from deckwright.plugin.holemedia import HoleMedium
    from deckwright.plugin.hooks import hookimpl
    from deckwright.plugin.media import (
        BLANK,
        WIDEST,
        Medium,
        MediumConfig,
        UnwritableError,
        first_columns,
        strangers,
    )
    from deckwright.plugin.nextmaster import MasterAccount
    from deckwright.plugin.notices import Notice, NoticeConfig
    from deckwright.plugin.scans import ScanStage
    from deckwright.plugin.shapes import own_fields, shapes_of, shapes_of_decks
    from deckwright.plugin.spans import cut_spans, read_exactly, read_records, survey_records
    from deckwright.plugin.stages import (
        FieldShape,
        FinishStage,
        GroupStage,
        Known,
        Limit,
        Most,
        OptionProblem,
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
    from deckwright.plugin.suited import need_kind, need_truth, type_of, type_of_shape
    from deckwright.plugin.tableforms import ColumnConfig, TableConfig, TableForm
    from deckwright.plugin.tables import Table
    from deckwright.plugin.values import (
        Bench,
        Closing,
        DeckPart,
        Delivery,
        OddCards,
        Part,
        RawTray,
        Span,
        Survey,
    )
    from deckwright.report.pages.readingpage import (
        PrintedLine,
        ReadingPage,
        ShownCard,
        ShownColumn,
        reading_page,
    )

_HOMES = {
    "cards.bitlayouts": ("BIT_LAYOUTS", "BitLayout", "BitsName", "bit_layout"),
    "cards.codeparts": ("hole_patterns",),
    "cards.codetable": ("ILLEGAL", "Alphabet", "CodeTable", "UnfitCodeError"),
    "cards.holes": ("PATTERNS", "ROWS", "format_pattern", "parse_pattern", "row_bit"),
    "cards.collate": ("collating_ranks",),
    "cards.matrix": ("blank_rows", "cut", "rows_of"),
    "cards.values": ("Values",),
    "identify.wrappings": ("Wrapping", "wrapping_of"),
    "errors": ("DeckwrightError", "MasterError", "UnreadableDeckError"),
    "jobs.base": ("ConfigModel",),
    "layout.decks": ("DeckLayouts", "Decks"),
    "layout.failures": ("Failure",),
    "layout.expressions": ("Expression", "series", "values_of"),
    "layout.formatting": ("plain_digits",),
    "layout.lastcards": ("LastCards",),
    "layout.reading": ("Layout",),
    "layout.tray": ("Tray", "as_mask", "kept_rows", "legal_patterns", "undefined"),
    "pictures.simulator.clean": ("clean_card",),
    "pictures.show.cutouts": ("column_picture", "printed_line", "upright_card"),
    "pictures.card.geometry": ("Cut", "CutSaid"),
    "pictures.files.intake": (
        "CARD_PIXELS", "PAGE_PIXELS", "PICTURE_SUFFIXES", "TIFF_MARKS", "Loaded", "PictureError",
        "check_picture", "is_picture", "jpeg_of", "load_picture", "png_of", "tiff_pages",
    ),
    "pictures.show.labelled": ("labelled_card", "labelled_column"),
    "pictures.reader.measured": ("SILENT_LIMIT",),
    "pictures.reader.pages": ("Box", "cards_on_page"),
    "pictures.printed.printed": ("PrintedOpinion", "compare_print"),
    "pictures.reader.reading": ("CardReading", "read_card"),
    "pictures.printed.recogniser": ("can_recognise",),
    "report.pages.readingpage": (
        "PrintedLine", "ReadingPage", "ShownCard", "ShownColumn", "reading_page",
    ),
    "plugin.book": ("Book",),
    "plugin.columncodes": ("must_be_without_codes", "with_field_codes"),
    "plugin.forms": ("Form", "FormConfig"),
    "plugin.holemedia": ("HoleMedium",),
    "plugin.hooks": ("hookimpl",),
    "plugin.media": (
        "BLANK", "WIDEST", "Medium", "MediumConfig", "UnwritableError", "first_columns",
        "strangers",
    ),
    "plugin.nextmaster": ("MasterAccount",),
    "plugin.notices": ("Notice", "NoticeConfig"),
    "plugin.scans": ("ScanStage",),
    "plugin.shapes": ("own_fields", "shapes_of", "shapes_of_decks"),
    "plugin.spans": ("cut_spans", "read_exactly", "read_records", "survey_records"),
    "plugin.stages": (
        "FieldShape", "FinishStage", "GroupStage", "Known", "Limit", "Most",
        "OptionProblem", "Setting", "SinkStage", "SortKey", "SortStage", "SourceStage",
        "Stage", "StageConfig", "TrayStage", "unknown_name",
    ),
    "plugin.suited": ("need_kind", "need_truth", "type_of", "type_of_shape"),
    "plugin.tableforms": ("ColumnConfig", "TableConfig", "TableForm"),
    "plugin.tables": ("Table",),
    "plugin.values": (
        "Bench", "Closing", "DeckPart", "Delivery", "OddCards", "Part", "RawTray", "Span", "Survey",
    ),
}  # fmt: skip
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "BIT_LAYOUTS",
    "BLANK",
    "CARD_PIXELS",
    "ILLEGAL",
    "PAGE_PIXELS",
    "PATTERNS",
    "PICTURE_SUFFIXES",
    "ROWS",
    "SILENT_LIMIT",
    "TIFF_MARKS",
    "WIDEST",
    "Alphabet",
    "Bench",
    "BitLayout",
    "BitsName",
    "Book",
    "Box",
    "CardReading",
    "Closing",
    "CodeTable",
    "ColumnConfig",
    "ConfigModel",
    "Cut",
    "CutSaid",
    "DeckLayouts",
    "DeckPart",
    "Decks",
    "DeckwrightError",
    "Delivery",
    "Expression",
    "Failure",
    "FieldShape",
    "FinishStage",
    "Form",
    "FormConfig",
    "GroupStage",
    "HoleMedium",
    "Known",
    "LastCards",
    "Layout",
    "Limit",
    "Loaded",
    "MasterAccount",
    "MasterError",
    "Medium",
    "MediumConfig",
    "Most",
    "Notice",
    "NoticeConfig",
    "OddCards",
    "OptionProblem",
    "Part",
    "PictureError",
    "PrintedLine",
    "PrintedOpinion",
    "RawTray",
    "ReadingPage",
    "ScanStage",
    "Setting",
    "ShownCard",
    "ShownColumn",
    "SinkStage",
    "SortKey",
    "SortStage",
    "SourceStage",
    "Span",
    "Stage",
    "StageConfig",
    "Survey",
    "Table",
    "TableConfig",
    "TableForm",
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
    "can_recognise",
    "cards_on_page",
    "check_picture",
    "clean_card",
    "collating_ranks",
    "column_picture",
    "compare_print",
    "cut",
    "cut_spans",
    "first_columns",
    "format_pattern",
    "hole_patterns",
    "hookimpl",
    "is_picture",
    "jpeg_of",
    "kept_rows",
    "labelled_card",
    "labelled_column",
    "legal_patterns",
    "load_picture",
    "must_be_without_codes",
    "need_kind",
    "need_truth",
    "own_fields",
    "parse_pattern",
    "plain_digits",
    "png_of",
    "printed_line",
    "read_card",
    "read_exactly",
    "read_records",
    "reading_page",
    "row_bit",
    "rows_of",
    "series",
    "shapes_of",
    "shapes_of_decks",
    "strangers",
    "survey_records",
    "tiff_pages",
    "type_of",
    "type_of_shape",
    "undefined",
    "unknown_name",
    "upright_card",
    "values_of",
    "with_field_codes",
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
