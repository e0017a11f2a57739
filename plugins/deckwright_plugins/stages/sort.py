"""Sort: put the cards in order on any number of keys."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field
from typing_extensions import override

from deckwright import (
    ConfigModel,
    Known,
    OptionProblem,
    SortKey,
    SortStage,
    Stage,
    StageConfig,
    collating_ranks,
    hookimpl,
)


class KeyConfig(ConfigModel):
    """One key."""

    field: str
    """The field that is the key."""
    order: Literal["ascending", "descending"] = "ascending"
    """Lowest or highest first."""
    missing: Literal["first", "last"] = "last"
    """Where cards stand whose field has no value."""
    collate: Literal["ascii", "ebcdic", "card"] | list[str] = "ascii"
    """Order of characters for a text: by ASCII; by EBCDIC (code page 037); by the deck's own code;
    or a list of texts in the wanted order (others come after them)."""


class SortConfig(StageConfig):
    """Put the cards in order; equal keys keep their order of arrival."""

    keys: list[str | KeyConfig] = Field(min_length=1)
    """Field names, or tables with `field`, `order`, `missing`, `collate`; major key first."""


class Sort(SortStage[SortConfig]):
    """Declares keys; the engine sorts and proves it."""

    kind = "sort"
    _known: Known | None = None

    @override
    def outline(self, known: Known) -> Known:
        for index, key in enumerate(self._keys()):
            shape = known.need(key.field, "keys", index)
            if shape.kind == "holes":
                what = f"field {key.field!r} holds patterns and has no order"
                raise OptionProblem(what, "keys", index)
            if shape.kind != "text" and key.collate != "ascii":
                what = f"field {key.field!r} is not a text, so it takes no collating sequence"
                raise OptionProblem(what, "keys", index)
        self._known = known
        return known

    @override
    def keys(self) -> list[SortKey]:
        return [self._key(key) for key in self._keys()]

    def _keys(self) -> list[KeyConfig]:
        return [KeyConfig(field=k) if isinstance(k, str) else k for k in self.config.keys]

    def _key(self, key: KeyConfig) -> SortKey:
        collate = None
        values: tuple[str, ...] = ()
        if isinstance(key.collate, list):
            values = tuple(key.collate)
        elif key.collate != "ascii" and self._known is not None and self._known.code is not None:
            collate = collating_ranks(self._known.code, key.collate)
        return SortKey(
            key.field, key.order == "descending", key.missing == "first", collate, values
        )


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [Sort]
