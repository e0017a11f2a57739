"""Emit: deliver the cards, each file in a form of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field
from typing_extensions import override

from deckwright import (
    Bench,
    Book,
    Expression,
    Form,
    Known,
    OptionProblem,
    Part,
    Setting,
    SinkStage,
    Stage,
    StageConfig,
    Tray,
    hookimpl,
    need_truth,
)


class EmitConfig(StageConfig):
    """Deliver the cards."""

    output: list[dict[str, Any]] = Field(min_length=1, json_schema_extra={"plugins": "forms"})
    """The files to write, each with `file`, `form`, `where` and the options of its form."""


class EmitStage(SinkStage[EmitConfig]):
    """Writes deliveries."""

    kind = "emit"

    def __init__(self, config: EmitConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        self._forms = {form.config.file: form for form in setting.forms(config.output, "output")}
        names = [output["file"] for output in config.output]
        for index, name in enumerate(names):
            if name in names[:index]:
                what = f"file {name!r} is written twice"
                raise OptionProblem(what, "output", index, "file")
        self._where = {
            name: _expression(form, index) for index, (name, form) in enumerate(self._forms.items())
        }

    @override
    def outline(self, known: Known) -> Known:
        for index, (name, form) in enumerate(self._forms.items()):
            try:
                where = self._where[name]
                if where is not None:
                    need_truth(known, where, "where")
                form.outline(known)
            except OptionProblem as problem:
                what = f"output {name!r}: {problem.what}"
                raise OptionProblem(what, "output", index, *problem.path) from problem
        return known

    @override
    def files(self) -> dict[str, bytes]:
        return {
            name: b"" if form.is_completed() else form.head() for name, form in self._forms.items()
        }

    @override
    def beside(self) -> dict[str, bytes]:
        found: dict[str, bytes] = {}
        for form in self._forms.values():
            found.update(form.beside())
        return found

    @override
    def write(self, tray: Tray, book: Book) -> list[Part]:
        parts = []
        for name, form in self._forms.items():
            chosen = self._chosen(name, tray)
            cards = None if chosen is tray else chosen.cards
            data = form.body(chosen) if len(chosen) or not form.is_completed() else b""
            parts.append(Part(name, data, len(chosen), cards))
        return parts

    def _chosen(self, name: str, tray: Tray) -> Tray:
        """Return the cards that a file gets; the tray itself when it gets all."""
        where = self._where[name]
        if where is None:
            return tray
        holds = where.evaluate(tray.frame(where.names))
        return tray.take(np.flatnonzero(holds.fill_null(value=False).to_numpy()))

    @override
    def form_of(self, file: str) -> str:
        return self._forms[file].kind

    @override
    def schema_of(self, file: str) -> dict[str, Any]:
        return self._forms[file].schema()

    @override
    def completes(self) -> list[str]:
        return [name for name, form in self._forms.items() if form.is_completed()]

    @override
    def complete(self, file: str, pieces: Iterator[bytes], place: Path, bench: Bench) -> None:
        self._forms[file].complete(pieces, place, bench)


def _expression(form: Form[Any], index: int) -> Expression | None:
    if not form.config.where:
        return None
    try:
        return Expression(form.config.where)
    except ValueError as error:
        what = f"output {form.config.file!r}: {error}"
        raise OptionProblem(what, "output", index, "where") from error


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [EmitStage]
