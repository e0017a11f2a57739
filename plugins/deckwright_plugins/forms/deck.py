"""The form deck: the cards again, in any medium."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    CodeTable,
    Form,
    FormConfig,
    Known,
    Medium,
    OptionProblem,
    Tray,
    UnwritableError,
    hole_patterns,
    hookimpl,
    unknown_name,
)


class DeckConfig(FormConfig):
    """Deliver the whole cards again, in any medium."""

    medium: dict[str, Any] = Field(default_factory=dict)
    """Medium of the deck; that of the deck which came in when left out."""


class DeckForm(Form[DeckConfig]):
    """Writes cards."""

    kind = "deck"

    @override
    def outline(self, known: Known) -> None:
        if self.config.medium:
            try:
                self.medium: Medium[Any] = self.setting.medium(self.config.medium)
            except OptionProblem as problem:
                raise OptionProblem(problem.what, "medium") from problem
        elif known.medium is not None:
            self.medium = known.medium

    @override
    def body(self, tray: Tray) -> bytes:
        try:
            return self.medium.encode(tray.text, holes_now(tray), None, tray.code.alphabet)
        except UnwritableError as error:
            card = int(tray.cards[error.row])
            error.args = (f"output {self.config.file!r}: card {card:,} of the run, {error}",)
            raise


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
