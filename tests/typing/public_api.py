"""What the public API promises to a type checker; mypy reads it, and nothing runs it."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any, assert_type

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright import (
    Book,
    Closing,
    Delivery,
    FinishStage,
    GroupStage,
    Known,
    LastCards,
    Medium,
    MediumConfig,
    Notice,
    NoticeConfig,
    RawTray,
    ScanStage,
    Span,
    StageConfig,
    Survey,
    Table,
    TableConfig,
    TableForm,
    Tray,
    TrayStage,
)


class LimitConfig(StageConfig):
    """Options."""

    field: str
    limit: Decimal


class LimitStage(TrayStage[LimitConfig]):
    """A stage of its own config: what it is handed has the types that the guide says."""

    kind = "limit"

    def outline(self, known: Known) -> Known:
        assert_type(self.config, LimitConfig)
        assert_type(self.config.limit, Decimal)
        assert_type(known.need(self.config.field, "field").width, int)
        return known

    def run(self, tray: Tray, book: Book) -> Tray:
        assert_type(tray["amount"], pl.Series)
        assert_type(tray.cards, NDArray[np.int64])
        assert_type(tray.text, NDArray[np.uint8])
        assert_type(len(tray), int)
        back = book.give_back(tray, tray["amount"] > self.config.limit, "above")
        assert_type(back, Tray)
        book.rows(tray, [True] * len(tray), "t", {})  # type: ignore[arg-type] # a mask is an array
        return back

    def tables(self) -> dict[str, Table]:
        return {"t": Table({"n": "whole"})}

    def finish(self, closing: Closing) -> dict[str, int | str]:
        assert_type(closing.cards, int)
        closing.fault("odd", "is odd", "sometimes")  # type: ignore[arg-type] # no such severity
        return {}


class CountStage(ScanStage[LimitConfig, LastCards]):
    """A scan: its state has the type that it declares."""

    kind = "count"

    def fold(self, tray: Tray) -> LastCards:
        return tray.last(1, ["amount"])

    def join(self, earlier: LastCards, later: LastCards) -> LastCards:
        return earlier.then(later)

    def run(
        self, tray: Tray, book: Book, before: LastCards | None, total: LastCards | None
    ) -> Tray:
        assert_type(tray.earlier("amount", before), pl.Series)
        return tray


class PairStage(GroupStage[LimitConfig]):
    """A group stage."""

    kind = "pair"

    def group_fields(self) -> list[str]:
        return [self.config.field]

    def run(self, tray: Tray, book: Book) -> Tray:
        return tray


class BookStage(FinishStage[LimitConfig]):
    """A stage that works on the deliveries."""

    kind = "book"

    def finish(self, closing: Closing) -> dict[str, int | str]:
        for each in closing.deliveries:
            assert_type(each, Delivery)
            assert_type(each.path, Path)
            assert_type(each.size, int)
            assert_type(each.rows, int | None)
        return {}


class LinesConfig(MediumConfig):
    """Options."""


class Lines(Medium[LinesConfig]):
    """A medium."""

    kind = "lines"

    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        assert_type(self.config, LinesConfig)
        return Survey(0, 80, [])

    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        yield RawTray(1, np.zeros((0, 80), np.uint8), None, None, [])

    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Any,
    ) -> bytes:
        return text.tobytes()


class TabsForm(TableForm[TableConfig]):
    """A form."""

    kind = "tabs"

    def body(self, tray: Tray) -> bytes:
        assert_type(self.frame(tray), pl.DataFrame)
        return b""


class BellConfig(NoticeConfig):
    """Options."""


class Bell(Notice[BellConfig]):
    """A notice."""

    kind = "bell"

    def job_held(self, job: str, why: str) -> None:
        assert_type(self.config, BellConfig)
        assert_type(self.workspace, Path)
