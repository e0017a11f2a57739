"""Decode: bring cards from a medium, name every odd one, set blank ones aside."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from typing_extensions import override

from deckwright import (
    Book,
    Closing,
    Known,
    Limit,
    Most,
    OptionProblem,
    Setting,
    SourceStage,
    Stage,
    StageConfig,
    Tray,
    blank_rows,
    hookimpl,
)


class DecodeConfig(StageConfig):
    """Read cards from a medium."""

    medium: dict[str, Any]
    """What the deck lies on: a table with `kind` and the options of that medium."""
    blank_cards: Literal["set-aside", "keep"] = "set-aside"
    """What becomes of cards without a single hole or character."""
    most_returned: Limit = "50 %"
    """Returned cards, as a number or a share of the deck, above which the run stops."""


class DecodeStage(SourceStage[DecodeConfig]):
    """Brings the cards."""

    kind = "decode"

    def __init__(self, config: DecodeConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        try:
            self.medium = setting.medium(config.medium)
        except OptionProblem as problem:
            raise OptionProblem(problem.what, "medium") from problem

    @override
    def outline(self, known: Known) -> Known:
        length = getattr(self.medium.config, "record_length", 80)
        width = length if isinstance(length, int) else 0
        return Known(width=width, code=self.medium.code, medium=self.medium)

    @override
    def most_returned(self, cards: int) -> Most | None:
        return Most.of(self.config.most_returned, cards)

    @override
    def run(self, tray: Tray, book: Book) -> Tray:
        odd = book.arrival.odd if book.arrival else []
        numbers = tray.cards
        for cards in odd:
            if cards.severity == "aside":
                continue
            width = tray.text.shape[1]
            book.fault(
                tray,
                cards.rows,
                cards.reason,
                columns=(1, width),
                column=cards.columns,
                detail=cards.detail,
                severity=cards.severity,
            )
            for row, record in zip(cards.rows, cards.records or [], strict=False):
                book.records[int(tray.cards[row])] = record
        tray = book.settle(tray)
        for cards in odd:
            if cards.severity == "aside":
                tray = book.set_aside(tray, np.isin(tray.cards, numbers[cards.rows]), cards.reason)
        if self.config.blank_cards == "set-aside":
            tray = book.set_aside(tray, blank_rows(tray.text), "blank")
        return tray

    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        return {**super().finish(closing), **self.medium.finish(closing)}


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [DecodeStage]
