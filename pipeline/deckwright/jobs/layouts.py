"""The layout file as a model, and what is wrong with a layout as a whole."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, Self

import polars as pl
from pydantic import Field, model_validator

from deckwright.jobs.base import ConfigModel
from deckwright.jobs.fieldcodes import field_code_problems
from deckwright.jobs.fielddefaults import DefaultsSpec, with_defaults
from deckwright.jobs.fieldproblems import field_problems
from deckwright.jobs.fieldspecs import MAX_WIDTH, CheckSpec, ColumnsModel, FieldSpec, Severity
from deckwright.jobs.sqltext import (
    names_in,
    not_a_truth,
    parse_expression,
    polars_type,
    result_type,
)
from deckwright.wording import nearest, plural

__all__ = [
    "CardSpec",
    "CheckSpec",
    "ConditionSpec",
    "FieldSpec",
    "LayoutSpec",
    "RuleSpec",
    "layout_problems",
]

RESERVED = ("card", "card_type")
"""Names that no field may have: the card number and the type of the card."""

_HELD_AS = {"choice": "text", "exponent": "decimal"}
_ONE_WAY = "needs one of 'when', 'blank = true' and 'otherwise = true'"

Path = tuple[str | int, ...]
Problem = tuple[Path, str]


class ConditionSpec(ColumnsModel):
    """What must stand in some columns for a card to be of a type."""

    is_: list[str] = Field(default_factory=list, alias="is")
    """Texts, one of which must stand there, each as wide as the columns."""
    not_: list[str] = Field(default_factory=list, alias="not")
    """Texts, none of which may stand there, each as wide as the columns."""


class CardSpec(ConfigModel):
    """A card type."""

    name: str = Field(pattern=r"^[a-z][a-z0-9_-]*$")
    """Name of the type."""
    when: list[ConditionSpec] = Field(default_factory=list)
    """Conditions that must all hold."""
    blank: bool = False
    """The type is the wholly blank card."""
    otherwise: bool = False
    """The type takes every card that no other type takes."""
    field: list[FieldSpec] = Field(default_factory=list)
    """The fields of this type, besides those that all types have."""


class RuleSpec(ConfigModel):
    """A rule over the fields of one card."""

    name: str = Field(pattern=r"^[a-z][a-z0-9-]*$")
    """Short name, kebab-case; the reason is `rule:NAME`."""
    holds: str
    """Polars SQL expression that must hold; null counts as holding."""
    message: str
    """What is wrong with a card that breaks the rule."""
    severity: Severity = "fatal"
    """What a broken rule means."""
    fields: list[str] = Field(default_factory=list)
    """Fields to mark; left out: those that the expression names."""
    card: str = ""
    """Card type that the rule is for; left out: every type."""


class LayoutSpec(ConfigModel):
    """A layout: what stands where on the cards of a deck."""

    title: str = ""
    """The layout in words."""
    record_length: int = Field(default=80, ge=1, le=MAX_WIDTH)
    """Columns of a card."""
    defaults: DefaultsSpec = Field(default_factory=DefaultsSpec)
    """What fields are that do not say it themselves."""
    elsewhere: Literal["any", "blank"] = "any"
    """What may stand in columns that no field names."""
    elsewhere_severity: Severity = "fatal"
    """What it means when something stands there that may not."""
    field: list[FieldSpec] = Field(default_factory=list)
    """The fields that every card has, of whatever type."""
    card: list[CardSpec] = Field(default_factory=list)
    """The card types, when there are several; the first that matches a card is its type."""
    rule: list[RuleSpec] = Field(default_factory=list)
    """Rules over the fields of one card."""

    @model_validator(mode="after")
    def _defaults_hold(self) -> Self:
        if not self.defaults.model_fields_set:
            return self
        for fields in (self.field, *(card.field for card in self.card)):
            fields[:] = [with_defaults(field, self.defaults) for field in fields]
        return self

    def card_fields(self) -> list[tuple[str, list[FieldSpec]]]:
        """Return (card type, fields) with repeated fields written out; one type has the name ''."""
        common = [one for field in self.field for one in field.expanded()]
        if not self.card:
            return [("", common)]
        return [
            (card.name, [*common, *(one for field in card.field for one in field.expanded())])
            for card in self.card
        ]


def layout_problems(spec: LayoutSpec) -> list[tuple[Path, str]]:
    """Return what is wrong with a layout beyond the shape of its tables.

    Returns:
        Pairs of a path into the file, such as `("field", 3, "columns")`, and a sentence.
    """
    problems = list(_card_problems(spec))
    telling = [condition.span for card in spec.card for condition in card.when]
    for place, common, own in _field_tables(spec):
        in_codes = field_code_problems([*common, *own], telling)
        problems += [
            ((*place, index - len(common), "code"), what)
            for index, what in in_codes
            if index >= len(common)
        ]
        named: dict[str, int] = {}
        taken: dict[int, str] = {}
        for index, field in enumerate((*common, *own), -len(common)):
            here = (*place, index)
            found = [((*here, *path), what) for path, what in field_problems(field)]
            for one in field.expanded():
                found += _name_problems(one, index, here, named)
                found += _place_problems(one, here, taken, spec.record_length)
            problems += found if index >= 0 else []
    problems += _same_shape_problems(spec)
    problems += _rule_problems(spec)
    return list(dict.fromkeys(problems))


def _field_tables(spec: LayoutSpec) -> list[tuple[Path, list[FieldSpec], list[FieldSpec]]]:
    """Return each table of fields by its path, with the common fields that stand beside it."""
    everywhere: list[tuple[Path, list[FieldSpec], list[FieldSpec]]] = []
    if spec.field:
        everywhere.append((("field",), [], spec.field))
    return everywhere + [
        (("card", place, "field"), spec.field, card.field) for place, card in enumerate(spec.card)
    ]


def _card_problems(spec: LayoutSpec) -> Iterator[Problem]:
    if not spec.field and not spec.card:
        yield (), "a layout needs [[field]] or [[card]] tables; there are none"
    names = [card.name for card in spec.card]
    for index, card in enumerate(spec.card):
        here = ("card", index)
        if card.name in names[:index]:
            yield (*here, "name"), f"there are two card types {card.name!r}"
        if [bool(card.when), card.blank, card.otherwise].count(True) != 1:
            yield here, f"card type {card.name!r} {_ONE_WAY}"
        earlier = [other.name for other in spec.card[:index] if other.otherwise]
        if card.otherwise and earlier:
            what = f"card type {earlier[0]!r} takes all other cards already"
            yield (*here, "otherwise"), what
        for number, condition in enumerate(card.when):
            yield from _condition_problems(condition, (*here, "when", number), spec.record_length)


def _condition_problems(condition: ConditionSpec, here: Path, length: int) -> Iterator[Problem]:
    if condition.span[1] > length:
        yield (*here, "columns"), _beyond(condition.columns, length)
    if bool(condition.is_) == bool(condition.not_):
        yield here, "a condition needs either 'is' or 'not'"
    for text in (*condition.is_, *condition.not_):
        if len(text) != condition.width:
            what = (
                f"{text!r} should be {plural(condition.width, 'character')} long, as columns "
                f"{condition.columns} are"
            )
            yield here, what
        if not _is_latin(text):
            yield here, f"{text!r} holds a character outside Latin-1"


def _name_problems(
    field: FieldSpec, index: int, here: Path, named: dict[str, int]
) -> list[Problem]:
    problems: list[Problem] = []
    for name in filter(None, (field.name, field.flag_name)):
        if name in RESERVED:
            problems.append(((*here, "name"), f"the name {name!r} is reserved"))
        elif named.get(name, index) != index:
            problems.append(((*here, "name"), f"there are two fields {name!r}"))
        named.setdefault(name, index)
    return problems


def _place_problems(
    field: FieldSpec, here: Path, taken: dict[int, str], length: int
) -> list[Problem]:
    first, last = field.span
    path = (*here, "columns")
    if last > length:
        return [(path, _beyond(field.columns, length))]
    if field.shares:
        return []
    columns = range(first, last + 1)
    others = dict.fromkeys(taken[column] for column in columns if column in taken)
    taken.update(dict.fromkeys(columns, field.name))
    hint = "; write 'shares = true' if that is meant"
    return [(path, f"columns {field.columns} overlap field {other!r}{hint}") for other in others]


def _beyond(columns: str, length: int) -> str:
    return f"columns {columns} end beyond the {length} columns of the card"


def _same_shape_problems(spec: LayoutSpec) -> list[Problem]:
    """Return fields that stand in several card types with different kinds of value."""
    problems: list[Problem] = []
    shapes: dict[str, tuple[object, str]] = {}
    for place, _, fields in _field_tables(spec):
        for index, field in enumerate(fields):
            for one in field.expanded():
                width = one.width if one.kind in ("digits", "holes") else 0
                kind = _HELD_AS.get(one.kind, one.kind)
                shape = (kind, one.scale, width, bool(one.overpunch))
                known, other = shapes.setdefault(one.name, (shape, str(place)))
                if known != shape and other != str(place):
                    what = (
                        f"field {one.name!r} has another kind, width or scale in another card type"
                    )
                    problems.append(((*place, index, "kind"), what))
    return problems


def _rule_problems(spec: LayoutSpec) -> Iterator[Problem]:
    by_card = {card: _value_types(fields) for card, fields in spec.card_fields()}
    everywhere = {name: kind for types in by_card.values() for name, kind in types.items()}
    for index, rule in enumerate(spec.rule):
        here = ("rule", index)
        if any(rule.name == other.name for other in spec.rule[:index]):
            yield (*here, "name"), f"there are two rules {rule.name!r}"
        if rule.card and rule.card not in by_card:
            yield (*here, "card"), unknown("card type", rule.card, list(by_card))
        types = dict(by_card.get(rule.card, everywhere))
        if spec.card:
            types["card_type"] = pl.String()
        yield from _expression_problems(rule, here, types)


def _value_types(fields: list[FieldSpec]) -> dict[str, pl.DataType]:
    """Return the Polars type of every field and flag."""
    types: dict[str, pl.DataType] = {}
    for field in fields:
        types[field.name] = polars_type(field.kind, field.scale)
        if field.flag_name:
            types[field.flag_name] = pl.String()
    return types


def _expression_problems(
    rule: RuleSpec, here: Path, types: dict[str, pl.DataType]
) -> Iterator[Problem]:
    names = list(types)
    for name in rule.fields:
        if name not in types:
            yield (*here, "fields"), unknown("field", name, names)
    try:
        expression = parse_expression(rule.holds)
    except ValueError as error:
        yield (*here, "holds"), str(error)
        return
    used = names_in(expression)
    strange = [name for name in used if name not in types]
    for name in strange:
        yield (*here, "holds"), unknown("field", name, names)
    if not used:
        yield (*here, "holds"), "the expression names no field"
    if strange or not used:
        return
    try:
        kind = result_type(rule.holds, expression, types)
    except ValueError as error:
        yield (*here, "holds"), str(error)
        return
    if wrong := not_a_truth(kind):
        yield (*here, "holds"), wrong


def unknown(what: str, name: str, names: list[str]) -> str:
    """Return the sentence for a name that is not there, with near matches."""
    return f"unknown {what} {name!r}; {nearest(name, names)}"


def _is_latin(text: str) -> bool:
    return all(ord(character) < 256 for character in text)  # noqa: PLR2004 # one byte
