"""The compiled layout: reading, checking and writing the fields of many cards at a time."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.values import ValueKind, Values
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.jobs.layouts import LayoutSpec
from deckwright.layout.cardtypes import card_types
from deckwright.layout.elsewhere import Elsewhere
from deckwright.layout.failures import UNKNOWN_CARD_TYPE, Failure
from deckwright.layout.marks import find_marks
from deckwright.layout.rules import Rules
from deckwright.layout.shifts import shifted
from deckwright.layout.walk import CompiledCard, ValueShape, Walk, compiled, value_shapes
from deckwright.layout.words import BLANK, Bytes, Places, steady
from deckwright.layout.writing import write_fields

__all__ = ["CARD_TYPE", "Failure", "Layout"]

Holes = NDArray[np.uint16]
Flags = NDArray[np.bool_]

CARD_TYPE = "card_type"
"""The text field that names the type of a card, where a layout has several."""


_FEW_CELLS = 200_000


class Layout:
    """A layout, compiled. Threads may share it.

    Of the cards that it reads it keeps nothing but, of the last few that were checked, a digest and
    which of them failed.
    """

    def __init__(self, spec: LayoutSpec, name: str) -> None:
        """Compile a layout that has no problems.

        Raises:
            ValueError: a rule does not parse.
        """
        self.spec, self.name = spec, name
        self.width = spec.record_length
        self.rules = Rules(spec.rule)
        self._checked: tuple[bytes, list[Failure]] | None = None
        self._elsewhere = Elsewhere(spec)
        tables = spec.card_fields()
        self.card_names = [card for card, _ in tables]
        self.cards: list[CompiledCard] = [
            {one.name: compiled(one) for one in fields} for _, fields in tables
        ]
        self.shapes: dict[str, ValueShape] = value_shapes(self.cards)
        self._flags = {
            field.spec.flag_name: name
            for card in self.cards
            for name, field in card.items()
            if field.spec.flag_name
        }
        self._type_words = _type_words(self.card_names)
        if spec.card:
            typed = ValueShape("text", 0, self._type_words.shape[1])
            self.shapes = {CARD_TYPE: typed, **self.shapes}

    @property
    def field_names(self) -> list[str]:
        """Names of all fields: card_type where there are several types, fields, their flags."""
        return list(self.shapes)

    def fields(self, name: str) -> list[FieldSpec]:
        """Return the fields of this name, one for each card type that has it.

        The name of a flag gives the field that bears it. A name that the layout does not have, and
        card_type, give an empty list.
        """
        bare = self._flags.get(name, name)
        return [card[bare].spec for card in self.cards if bare in card]

    def value_kind(self, field: str) -> tuple[ValueKind, int, int]:
        """Return how a field's values are held: kind, scale, width in columns.

        Raises:
            KeyError: the layout has no such field.
        """
        shape = self.shapes[field]
        return shape.kind, shape.scale, shape.width

    def columns(self, field: str) -> list[tuple[int, int]]:
        """Return the columns (first, last, from 1) of a field, each place it stands in once.

        A name that the layout does not have, and card_type, give an empty list.
        """
        return list(dict.fromkeys(spec.span for spec in self.fields(field)))

    def coded_fields(self) -> list[tuple[int, FieldSpec]]:
        """Return the fields that have a code of their own, each with the place of its card type."""
        return [
            (place, field.spec)
            for place, card in enumerate(self.cards)
            for field in card.values()
            if field.spec.code
        ]

    def zoned_fields(self) -> list[FieldSpec]:
        """Return the fields in which a zone may stand over a digit."""
        return [field.spec for card in self.cards for field in card.values() if field.kernel.zoned]

    def card_types(self, text: Bytes) -> NDArray[np.int16]:
        """Return int16 (n): place of each card's type in the layout, -1 where none matches."""
        if not self.spec.card:
            return np.zeros(len(text), np.int16)
        return card_types(text, self.spec.card)

    def read(
        self,
        text: Bytes,
        names: Iterable[str] | None = None,
        holes: Holes | None = None,
        legal: Flags | None = None,
        undefined: Flags | None = None,
    ) -> dict[str, Values]:
        """Return fields of the cards; what cannot be read is missing.

        Args:
            text: uint8 (n, L), internal bytes.
            names: fields to read; left out: all.
            holes: uint16 (n, L), patterns, where the medium has them.
            legal: bool (4096), patterns that the code knows.
            undefined: bool (256), internal bytes without a character.

        Raises:
            KeyError: the layout has no field of a name.
        """
        wanted = self.field_names if names is None else list(names)
        bare = {self._flags.get(name, name) for name in wanted}
        # a column that is no character can only pass where any character can
        open_to_all = any(self.shapes[name].kind == "text" for name in bare)
        walk = self._walk(text, holes, *((legal, undefined) if open_to_all else (None, None)))
        values = walk.read(bare, checking=False)
        if CARD_TYPE in bare:
            values[CARD_TYPE] = self._types_as_values(walk)
        return {name: values[name] for name in wanted}

    def check(
        self,
        text: Bytes,
        holes: Holes | None = None,
        legal: Flags | None = None,
        undefined: Flags | None = None,
    ) -> tuple[dict[str, Values], list[Failure]]:
        """Return all fields of the cards, and every check that some cards fail.

        Arguments as for `read`. A value that can be read but fails its range, list or check digit
        is still a value. A rule is judged on the cards where all fields that it names could be
        read, so that one fault is not reported twice.
        """
        values, failures = self._check(text, holes, legal, undefined)
        if text.size <= _FEW_CELLS:
            self._checked = _digest(text, holes, legal, undefined), failures
        return values, failures

    def failures(
        self,
        text: Bytes,
        holes: Holes | None = None,
        legal: Flags | None = None,
        undefined: Flags | None = None,
    ) -> list[Failure]:
        """Return every check that some cards fail, without a second look at those checked last.

        Arguments as for `read`.
        """
        checked = self._checked
        few = checked is not None and text.size <= _FEW_CELLS
        if checked and few and checked[0] == _digest(text, holes, legal, undefined):
            return checked[1]
        return self._check(text, holes, legal, undefined)[1]

    def _check(
        self, text: Bytes, holes: Holes | None, legal: Flags | None, undefined: Flags | None
    ) -> tuple[dict[str, Values], list[Failure]]:
        walk = self._walk(text, holes, legal, undefined)
        values = walk.read(self.shapes, checking=True)
        failures = walk.failures
        if walk.types is not None:
            values = {CARD_TYPE: self._types_as_values(walk), **values}
            failures = [*self._unknown_types(walk.types), *failures]
        failures = [*failures, *self._elsewhere.failures(walk.text, walk.types)]
        for place, rows in enumerate(self.rules.broken(values, walk.unread)):
            if rows.size:
                failures += self._rule_failures(place, rows, walk.types)
        return values, failures

    def shifted(
        self,
        text: Bytes,
        holes: Holes | None,
        legal: Flags | None,
        undefined: Flags | None,
        failures: Sequence[Failure],
    ) -> list[Failure]:
        """Return which of the cards that failed would fit one column further left or right.

        Arguments as for `check`; failures: what it found in these cards.
        """

        def again(text: Bytes, holes: Holes | None) -> list[Failure]:
            return self._check(text, holes, legal, undefined)[1]

        return shifted(again, text, holes, failures)

    def _walk(
        self, text: Bytes, holes: Holes | None, legal: Flags | None, undefined: Flags | None
    ) -> Walk:
        text = steady(text)
        types = self.card_types(text) if self.spec.card else None
        marks = find_marks(text, holes, legal, undefined)
        return Walk(self.cards, self.shapes, text, types, holes, marks)

    def _types_as_values(self, walk: Walk) -> Values:
        types = np.zeros(len(walk.text), np.int16) if walk.types is None else walk.types
        unknown = types < 0
        return Values("text", self._type_words[types], unknown if unknown.any() else None)

    def _unknown_types(self, types: NDArray[np.int16]) -> Iterator[Failure]:
        rows = np.flatnonzero(types < 0)
        if rows.size:
            spans = [condition.span for card in self.spec.card for condition in card.when]
            first = min((start for start, _ in spans), default=1)
            last = max((end for _, end in spans), default=self.width)
            detail = f"should be a card of type {' or '.join(self.card_names)}"
            yield Failure(rows, UNKNOWN_CARD_TYPE, CARD_TYPE, (first, last), None, detail, "fatal")

    def _rule_failures(
        self, place: int, rows: Places, types: NDArray[np.int16] | None
    ) -> Iterator[Failure]:
        rule, marked = self.spec.rule[place], tuple(self.rules.marked(place))
        for index, card in enumerate(self.cards):
            here = rows if types is None else rows[types[rows] == index]
            if not here.size or rule.card not in ("", self.card_names[index]):
                continue
            bare = [self._flags.get(name, name) for name in marked]
            field = next((name for name in bare if name in card), "")
            span = card[field].spec.span if field else (1, self.width)
            reason = f"rule:{rule.name}"
            yield Failure(here, reason, field, span, None, rule.message, rule.severity, marked)

    def write(self, values: Mapping[str, Values], base: Bytes) -> list[Failure]:
        """Write fields into card images, in place.

        Args:
            values: fields over n cards; fields left out keep what stands in their columns. With
                several card types, `card_type` says which card is which; without it the images do.
            base: uint8 (n, L), internal bytes.

        Returns:
            The values that do not fit; their columns keep what stands there.

        Raises:
            KeyError: the layout has no field of a name.
        """
        for name in values:
            self.value_kind(name)
        types: NDArray[np.int16] | None = None
        if CARD_TYPE in values:
            types = self._types_from(values[CARD_TYPE])
        elif self.spec.card:
            types = self.card_types(base)
        failures: list[Failure] = []
        for place, card in enumerate(self.cards):
            rows = None if types is None else np.flatnonzero(types == place)
            if rows is None or rows.size:
                failures += write_fields(list(card.values()), values, base, rows)
        return failures

    def _types_from(self, values: Values) -> NDArray[np.int16]:
        width = self._type_words.shape[1]
        cells = np.full((len(values), max(width, values.data.shape[1])), BLANK, np.uint8)
        cells[:, : values.data.shape[1]] = values.data
        types = np.full(len(values), -1, np.int16)
        for place, word in enumerate(self._type_words[:-1]):
            same = (cells[:, :width] == word).all(axis=1) & (cells[:, width:] == BLANK).all(axis=1)
            types[same] = place
        return types


def _digest(*arrays: NDArray[np.generic] | None) -> bytes:
    """Return a digest of arrays and their shapes."""
    digest = hashlib.blake2b(digest_size=32)
    for array in arrays:
        digest.update(repr(None if array is None else (array.shape, array.dtype.str)).encode())
        if array is not None:
            digest.update(np.ascontiguousarray(array).data)
    return digest.digest()


def _type_words(names: list[str]) -> Bytes:
    """Return uint8 (types + 1, w): the names of the types, and blanks for none."""
    width = max(1, *map(len, names), 0)
    words = b"".join(name.encode().ljust(width) for name in (*names, ""))
    return np.frombuffer(words, np.uint8).reshape(-1, width)
