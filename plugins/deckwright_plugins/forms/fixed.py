"""The form fixed: lines by a layout, which goes beside them."""

from __future__ import annotations

from typing import Any

import numpy as np
from typing_extensions import override

from deckwright import (
    Form,
    FormConfig,
    Known,
    OptionProblem,
    Tray,
    hookimpl,
    must_be_without_codes,
    own_fields,
)


class FixedConfig(FormConfig):
    """Deliver fixed-width lines by a layout, which goes beside them."""

    layout: str
    """Layout of the lines."""


class FixedForm(Form[FixedConfig]):
    """Writes lines."""

    kind = "fixed"

    @override
    def outline(self, known: Known) -> None:
        try:
            self.layout = self.setting.layout(self.config.layout)
        except OptionProblem as problem:
            raise OptionProblem(problem.what, "layout") from problem
        must_be_without_codes(self.layout, "a line of text")
        for name in own_fields(self.layout):
            known.need(name, "layout")

    @override
    def body(self, tray: Tray) -> bytes:
        lines = np.full((len(tray), self.layout.width), 32, np.uint8)
        names = own_fields(self.layout)
        tray.load(names)
        failures = self.layout.write({name: tray.values(name) for name in names}, lines)
        for failure in failures:
            msg = f"{tray.named(int(failure.rows[0]))}: field {failure.field!r} {failure.detail}"
            raise ValueError(msg)
        alphabet = tray.code.alphabet
        if not lines.size or int(lines.max()) < 128:  # noqa: PLR2004 # ASCII
            out = np.full((len(lines), self.layout.width + 1), 10, np.uint8)
            out[:, :-1] = lines
            return out.tobytes()
        return b"".join(alphabet.decode(line.tobytes()).encode() + b"\n" for line in lines)

    @override
    def beside(self) -> dict[str, bytes]:
        name = f"{self.config.file}.layout.toml"
        return {name: self.setting.layout_bytes(self.config.layout)}


@hookimpl
def deckwright_forms() -> list[type[Form[Any]]]:
    """Bring the form."""
    return [FixedForm]
