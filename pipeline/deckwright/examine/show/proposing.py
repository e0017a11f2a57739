"""A layout and a job for a deck that has been examined: they run as they are, to be confirmed."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from deckwright.errors import OutputError
from deckwright.examine.model import Examination, Guess, TypeFacts
from deckwright.wording import percent

MOST_RETURNED = 0.03
"""Share of the cards that guessed checks may return together; the others only list them."""

_CUT = (
    "Look at one card, its printed side up, and say which corner is cut: cut = 'upper-left', or "
    "'upper-right', or 'none'. Until then only cards with digits printed in their rows are read."
)
_WRAP = 96
_LONGEST = 56  # characters, so that a name with `-cards` behind is still one of a job
_WORDS = {
    "running number": "serial",
    "number with check digit": "number",
    "whole number": "number",
    "signed or flagged number": "signed",
    "signed number": "signed",
    "number with exponent": "exponent",
    "number or name in digits": "digits",
    "not used": "unused",
    "multi-punch": "holes",
}


@dataclass(frozen=True, slots=True)
class Proposal:
    """Where the files are."""

    job: Path
    layout: Path


def propose(found: Examination, folder: Path, codes: Mapping[str, bytes]) -> Proposal:
    """Write a layout and a job for a deck into a folder.

    Args:
        found: the examination, of a deck that was counted.
        folder: is made; files of these names must not be there.
        codes: code files of one's own that the deck needs, by name.

    Raises:
        OutputError: they cannot be written, or are there already.
    """
    stem = _stem(found.decks[0].name)
    job, layout = folder / f"{stem}.toml", folder / "layouts" / f"{stem}-cards.toml"
    files = {job: job_text(found, layout.stem), layout: layout_text(found)}
    own = {folder / "codes" / name.removeprefix("codes/"): data for name, data in codes.items()}
    for path in (*files, *own):
        if path.exists():
            raise OutputError(str(path), "is there already; name another folder")
    try:
        for path, text in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
        for path, data in own.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    except OSError as error:
        what = f"cannot be written: {(error.strerror or '').lower()}"
        raise OutputError(str(folder), what) from error
    return Proposal(job, layout)


def job_text(found: Examination, layout: str) -> str:
    """Return the job file."""
    names = ", ".join(deck.name for deck in found.decks)
    lines = [
        *_comment(
            f"Proposed by deckwright examine for {names}. Nothing in it is known: a person "
            "must confirm it, field by field, in the layout."
        ),
        f"title = {toml(f'Proposed for {found.decks[0].name}')}",
        "",
        "[[stage]]",
        'kind = "decode"',
        *_comment(_medium_reason(found)),
        *(_comment(_CUT) if found.pictures and "cut" not in found.reading.options else ()),
        f"medium = {toml(found.reading.options)}",
        'most_returned = "100 %"',
        "",
        "[[stage]]",
        'kind = "validate"',
        f"layout = {toml(layout)}",
        *_comment("Lower this once the layout is confirmed, so that a wrong deck stops the run."),
        'most_returned = "100 %"',
    ]
    lines += ["", "[[stage]]", 'kind = "emit"', "", "[[stage.output]]"]
    lines += ['file = "cards.csv"', 'form = "csv"', ""]
    return "\n".join(lines)


def layout_text(found: Examination) -> str:
    """Return the layout file."""
    lines = _comment(
        f"Proposed by deckwright examine from {found.looked_at:,} of {found.data_cards:,} cards. "
        "Every field below is a guess with its reasons. Confirm each against a document that "
        "knows, give it its right name, and take out what is wrong. Implied decimals and units "
        "cannot be seen in a deck: add them."
    )
    lines += [f"title = {toml(f'Proposed for {found.decks[0].name}')}"]
    lines += [f"record_length = {found.width}", ""]
    types = [one for one in found.types.types if one.cards or one.values]
    lenient = _lenient(types)
    if not found.types.column:
        fields = _fields(types[0] if types else None, "", lenient, found.width)
        return "\n".join([*lines, *fields, ""])
    lines += _comment(f"Card types: {found.types.sentence}. Strength: {found.types.strength}.")
    for one in types:
        lines += _card_type(found, one, lenient)
    if types[-1].values:
        # a later deck may hold values that this one does not
        lines += _card_type(found, TypeFacts("other", (), 0, ()), lenient)
    return "\n".join(lines)


def toml(value: object) -> str:
    """Return a value as inline TOML."""
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(str(key))} = {toml(item)}" for key, item in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(toml(item) for item in value)}]"
    if isinstance(value, str):
        # JSON's strings are TOML's, but for DEL, which TOML wants escaped
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return json.dumps(value)


def _card_type(found: Examination, one: TypeFacts, lenient: set[tuple[str, str]]) -> Iterator[str]:
    every = sorted({value for each in found.types.types for value in each.values})
    condition: dict[str, object] = {"columns": found.types.columns}
    condition |= {"is": list(one.values)} if one.values else {"not": every}
    yield "[[card]]"
    yield f"name = {toml(one.name)}"
    yield from _comment(f"{one.cards:,} cards")
    yield f"when = [{toml(condition)}]"
    yield ""
    yield from _fields(one, one.name, lenient, found.width)


def _fields(
    one: TypeFacts | None, card: str, lenient: set[tuple[str, str]], width: int
) -> Iterator[str]:
    table = "[[card.field]]" if card else "[[field]]"
    guesses = [] if one is None else [guess for guess in one.guesses if guess.options]
    for guess in () if one is None else one.guesses:
        if not guess.options:
            yield from _comment(f"Columns {guess.columns}: {guess.what}, {guess.sentence}.")
            yield ""
            continue
        yield table
        yield f"name = {toml(_name(guess, card))}"
        yield f'columns = "{guess.columns}"'
        yield from _comment(f"{guess.what}, {guess.strength}: {guess.sentence}.")
        for reason in guess.reasons:
            yield from _comment(f"- {reason}")
        for key, value in guess.options.items():
            yield f"{key} = {toml(value)}"
        if (card, guess.columns) in lenient:
            share = f"{percent(guess.failing)}" if guess.failing >= 0.0001 else "a few"  # noqa: PLR2004
            yield from _comment(
                f"{share} of the cards fail this, so they are listed, not returned."
            )
            yield 'severity = "query"'
        yield ""
    if not guesses:
        yield table
        yield f"name = {toml(f'{card}_record' if card else 'record')}"
        yield f'columns = "1-{width}"'
        yield 'kind = "text"'
        yield ""


def _lenient(types: Sequence[TypeFacts]) -> set[tuple[str, str]]:
    """Return (card type, columns) of fields whose checks would return too many cards."""
    several = len(types) > 1 or any(one.values for one in types)
    total = max(1, sum(one.cards for one in types))
    weighed = sorted(
        (guess.failing * one.cards / total, one.name if several else "", guess.columns)
        for one in types
        for guess in one.guesses
    )
    lenient = set()
    sum_ = 0.0
    for share, card, columns in weighed:
        sum_ += share
        if share and (sum_ > MOST_RETURNED or share > MOST_RETURNED / 3):
            lenient.add((card, columns))
    return lenient


def _name(guess: Guess, card: str) -> str:
    """Return a name that says what and where, the same in no two card types."""
    what = "date" if guess.what.startswith("date") else _WORDS.get(guess.what, guess.what)
    columns = guess.columns.replace("-", "_")
    name = f"{what.replace('-', '_').replace(' ', '_')}_{columns}"
    return f"{card}_{name}" if card else name


def _medium_reason(found: Examination) -> str:
    reading = found.reading
    if reading.question:
        return f"Not sure: {reading.question}."
    if reading.media is None:
        return found.unranked
    return f"{reading.media.sentence}."


def _stem(name: str) -> str:
    """Return the deck's own name as far as a job may be called so."""
    words = re.sub(r"[^A-Za-z0-9_.-]+", "-", name.rsplit(".", 1)[0]).strip("-.")
    return words[:_LONGEST] or "deck"


def _comment(text: str) -> list[str]:
    lines, line = [], "#"
    shown = "".join(c if c.isprintable() else "\u25af" for c in text)
    for word in shown.split():
        if len(line) + 1 + len(word) > _WRAP and line != "#":
            lines.append(line)
            line = "#"
        line += f" {word}"
    return [*lines, line]


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key)
