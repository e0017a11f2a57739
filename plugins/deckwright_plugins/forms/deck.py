"""The form deck: the cards again, in any medium."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    BLANK,
    CodeTable,
    Decks,
    Form,
    FormConfig,
    HoleMedium,
    Known,
    Medium,
    OptionProblem,
    Tray,
    UnwritableError,
    hole_patterns,
    hookimpl,
    unknown_name,
)

_WIDEST = 32_760
_SUBSTITUTE = 0x007  # 9-8-7: the holes of the byte that stands for none


class DeckConfig(FormConfig):
    """Deliver the whole cards again, in any medium."""

    medium: dict[str, Any] = Field(default_factory=dict)
    """Medium of the deck; that of the one deck which came in when left out."""
    personal: list[str] = Field(default_factory=list)
    """The personal fields that these cards may hold; all that stand on them must be named."""


class DeckForm(Form[DeckConfig]):
    """Writes cards."""

    kind = "deck"

    @override
    def outline(self, known: Known) -> None:
        for index, name in enumerate(self.config.personal):
            known.need(name, "personal", index)
        known.need_named(self.config.personal, 1, known.width or _WIDEST, "personal")
        if self.config.medium:
            try:
                self.medium: Medium[Any] = self.setting.medium(self.config.medium)
            except OptionProblem as problem:
                raise OptionProblem(problem.what, "medium") from problem
        elif known.medium is not None:
            self.medium = known.medium
        elif known.decks:
            what = f"say the key 'medium': cards of {' and '.join(known.decks)} come here"
            raise OptionProblem(what)
        else:
            return  # nothing has read cards, as the chain will be told
        columns = self.medium.card_columns()
        if columns is not None and known.width > columns and not known.decks:
            what = (
                f"cards have {known.width} columns here, the records of this medium {columns};"
                f" say record_length = {known.width}"
            )
            raise OptionProblem(what, "medium")

    @override
    def body(self, tray: Tray) -> bytes:
        text, holes, lengths = tray.text, holes_now(tray), None
        try:
            if tray.decks is not None:
                text, holes, lengths = self._of_several(tray, tray.decks)
            elif (columns := self.medium.card_columns()) is not None and text.shape[1] < columns:
                text = _fitted(text, columns, BLANK)
                holes = None if holes is None else _fitted(holes, columns, 0)
            return self.medium.encode(text, holes, lengths, tray.code.alphabet)
        except UnwritableError as error:
            error.args = (f"output {self.config.file!r}: {tray.named(error.row)}, {error}",)
            raise

    def _of_several(
        self, tray: Tray, decks: Decks
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint16] | None, NDArray[np.uint16]]:
        """Return text, holes and lengths of cards that are as wide and punched as their decks."""
        text, holes = tray.text, holes_now(tray)
        width = text.shape[1]
        lengths = np.minimum(decks.widths(tray.cards, width), width)
        if tray.native is not None:  # a stage may have punched more columns than there were
            beyond = (text != BLANK) & (np.arange(width) >= lengths[:, None])
            lengths = np.where(beyond.any(axis=1), width, lengths).astype(np.uint16)
        if (columns := self.medium.card_columns()) is not None:
            if (rows := np.flatnonzero(lengths > columns)).size:
                card = tray.named(int(rows[0]))
                msg = f"{card} has {lengths[rows[0]]} columns, the medium's records {columns}"
                raise ValueError(msg)
            text = _fitted(text, columns, BLANK)
            holes = None if holes is None else _fitted(holes, columns, 0)
        if holes is None or tray.native is not None:
            return text, holes, lengths
        rows = np.flatnonzero(~decks.with_holes(tray.deck))
        holes = holes.copy()
        if isinstance(self.medium, HoleMedium):
            holes[rows] = self._punched_here(text, rows, tray.code)
        elif self.medium.has_holes():
            holes[rows] = _punched(text[rows], tray.code)
        else:  # nothing but the text of these cards says what they hold
            holes[rows] = _SUBSTITUTE
        return text, holes, lengths

    def _punched_here(
        self, text: NDArray[np.uint8], rows: NDArray[np.intp], code: CodeTable
    ) -> NDArray[np.uint16]:
        assert isinstance(self.medium, HoleMedium)  # noqa: S101 # asked for by the caller
        try:
            return self.medium.holes_of(text[rows], None, code.alphabet)
        except UnwritableError as error:
            error.row = int(rows[error.row])
            raise


def _fitted(matrix: NDArray[Any], columns: int, blank: int) -> NDArray[Any]:
    """Return a matrix (n, L) cut or filled to so many columns."""
    fitted = np.full((len(matrix), columns), blank, matrix.dtype)
    have = min(columns, matrix.shape[1])
    fitted[:, :have] = matrix[:, :have]
    return fitted


def holes_now(tray: Tray) -> NDArray[np.uint16] | None:
    """Return the patterns (n, L) of the cards as they now are; None where text says all.

    A column whose text is as it was read keeps the holes that it was read with, legal or not.
    """
    if tray.holes is None or tray.native is None:
        return tray.holes
    holes = _punched(tray.text, tray.code)
    have = min(tray.text.shape[1], tray.native.shape[1])
    same = tray.text[:, :have] == tray.native[:, :have]
    holes[:, :have][same] = tray.holes[:, :have][same]
    return holes


def _punched(text: NDArray[np.uint8], code: CodeTable) -> NDArray[np.uint16]:
    if code.to_holes is None:
        msg = f"code {code.name!r} says nothing of holes"
        raise ValueError(msg)
    patterns = hole_patterns(code, text)
    if (patterns < 0).any():
        msg = unknown_name("hole pattern for a character of code", code.name, [])
        raise ValueError(msg)
    return patterns.astype(np.uint16)


@hookimpl
def deckwright_forms() -> list[type[Form[Any]]]:
    """Bring the form."""
    return [DeckForm]
