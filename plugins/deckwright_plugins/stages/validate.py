"""Validate: read every field by its layout and report every check that fails."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from typing_extensions import override

from deckwright import (
    Book,
    Failure,
    FieldShape,
    Known,
    Layout,
    Limit,
    Most,
    OptionProblem,
    Setting,
    Stage,
    StageConfig,
    Tray,
    TrayStage,
    hookimpl,
    legal_patterns,
    shapes_of,
    shapes_of_decks,
    undefined,
    with_field_codes,
)


class ValidateConfig(StageConfig):
    """Check every column against a layout."""

    layout: str = ""
    """Name of the layout file, looked up beside the job and in its `layouts` folder; left out only
    in a job of several decks, each of which names its own."""
    most_returned: Limit = "50 %"
    """Returned cards, as a number or a share of the deck, above which the run stops."""


class ValidateStage(TrayStage[ValidateConfig]):
    """Checks fields and rules; cards with a fatal fault are returned."""

    kind = "validate"

    def __init__(self, config: ValidateConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        self.layout: Layout | None = None
        if setting.decks is not None:
            if config.layout:
                what = "each deck of this job names its own layout; take this one out"
                raise OptionProblem(what, "layout")
            return
        if not config.layout:
            what = "the key 'layout' is missing"
            raise OptionProblem(what)
        try:
            self.layout = setting.layout(config.layout)
        except OptionProblem as problem:
            raise OptionProblem(problem.what, "layout") from problem

    @override
    def outline(self, known: Known) -> Known:
        if self.layout is None:
            decks = self.setting.decks
            return known if decks is None else known.with_fields(shapes_of_decks(decks))
        if known.width and known.width < self.layout.width:
            what = (
                f"layout {self.layout.name!r} has {self.layout.width} columns, "
                f"the records only {known.width}"
            )
            raise OptionProblem(what, "layout")
        shapes: dict[str, FieldShape] = shapes_of(self.layout)
        known = with_field_codes(known, self.layout, self.setting.code)
        return replace(known.with_fields(shapes), layout=self.layout)

    @override
    def most_returned(self, cards: int) -> Most | None:
        return Most.of(self.config.most_returned, cards)

    @override
    def run(self, tray: Tray, book: Book) -> Tray:
        tray, failures = self._read(tray)
        for failure in failures:
            book.fault(
                tray,
                failure.rows,
                failure.reason,
                field=failure.field,
                columns=failure.columns,
                column=failure.column,
                detail=failure.detail,
                severity=failure.severity,
            )
        return book.settle(tray)

    def _read(self, tray: Tray) -> tuple[Tray, list[Failure]]:
        if self.layout is None:
            decks = self.setting.decks
            if decks is None or tray.decks is None:
                return tray, []
            values, failures = decks.check(tray.decks, tray.deck, tray.text, tray.holes)
            tray = tray.with_reading(decks)
            tray.remember(values)
            return tray, failures
        legal, gaps = legal_patterns(tray.code), undefined(tray.code)
        values, failures = self.layout.check(tray.text, tray.holes, legal, gaps)
        if failures and not tray.code.parts:  # where columns keep their codes, none can be moved
            moved = self.layout.shifted(tray.text, tray.holes, legal, gaps, failures)
            failures = [*failures, *moved]
        tray = tray.with_reading(self.layout)
        tray.remember(values)
        return tray, failures


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [ValidateStage]
