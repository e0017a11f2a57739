"""What is wrong with the codes that fields of a layout name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from deckwright.jobs.fieldspecs import FieldSpec

Span = tuple[int, int]


def field_code_problems(
    fields: Sequence[FieldSpec], telling: Sequence[Span]
) -> Iterator[tuple[int, str]]:
    """Yield (place of a field, sentence) for codes that cannot be told apart.

    Args:
        fields: the fields of one card type, repeated ones not yet written out.
        telling: columns that tell the card types.
    """
    if not any(field.code for field in fields):
        return
    codes: dict[int, FieldSpec] = {}
    for index, field in enumerate(fields):
        if field.kind == "holes":
            continue
        for one in field.expanded():
            first, last = one.span
            if one.code and (span := _met(telling, one.span)):
                yield index, _telling(one, span)
            here = range(first, last + 1)
            others = [codes[column] for column in here if column in codes]
            other = next((other for other in others if other.code != one.code), None)
            if other is not None:
                yield index, _two_codes(one, other)
            codes.update(dict.fromkeys(here, one))


def _met(spans: Sequence[Span], span: Span) -> Span | None:
    return next((one for one in spans if one[0] <= span[1] and span[0] <= one[1]), None)


def _two_codes(one: FieldSpec, other: FieldSpec) -> str:
    return (
        f"columns {one.columns} are in {_said(one.code)} as field {one.name!r}, and in "
        f"{_said(other.code)} as field {other.name!r}; a column has one code"
    )


def _telling(field: FieldSpec, span: Span) -> str:
    return (
        f"field {field.name!r} stands in columns {span[0]}-{span[1]}, which tell the card types; "
        "they are read in the code of the deck, so take 'code' out"
    )


def _said(code: str) -> str:
    return f"code {code!r}" if code else "the code of the deck"
