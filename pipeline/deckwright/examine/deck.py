"""Examine decks: what they lie on, what stands in them, what their fields may be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable
from deckwright.errors import DeckError
from deckwright.examine.count.classes import byte_classes, cells_of
from deckwright.examine.count.counting import Counts
from deckwright.examine.count.running import Running, numbers_of
from deckwright.examine.count.sampling import Sample, Source, count_all, survey, take_sample
from deckwright.examine.count.typecounting import TypeCount
from deckwright.examine.fields.found import find_fields
from deckwright.examine.guess.columns import Look, look_at
from deckwright.examine.guess.dividing import (
    NOTHING_DIVIDES,
    Division,
    divide,
    pays,
    rows_of_types,
)
from deckwright.examine.guess.evidence import reading_of
from deckwright.examine.guess.guessing import MOST_COLUMNS, guess_fields, tells_no_type
from deckwright.examine.guess.measuring import ranges, shown
from deckwright.examine.guess.pictured import look_at_pictures, pictures_in
from deckwright.examine.guess.sections import by_section
from deckwright.examine.guess.sequencefinding import counting_said, find_sequences, find_shuffled
from deckwright.examine.model import (
    CLASSES,
    Columns,
    DeckFacts,
    Examination,
    Odd,
    Reading,
    SequenceFacts,
    TypeFacts,
    Types,
)
from deckwright.examine.opening.cutoff import of_whole_cards
from deckwright.examine.opening.opening import Media, OpenDeck, open_deck
from deckwright.examine.show.drawncards import drawn_cards
from deckwright.plugin.stages import OptionProblem
from deckwright.plugin.values import RawTray
from deckwright.report.drawing.cards import COLUMNS

MOST_SEQUENCES = 3

_FEWEST = 12
_SURE = 0.4
_TWICE = 2_000
_CARD = 80


class MixedDecksError(DeckError):
    """Decks that were to be examined as one lie on different media."""

    def __init__(self, first: str, other: str, what: str) -> None:
        super().__init__(
            f"deck {other!r} is not as {first!r} is: {what}; examine them one at a time, or say "
            "--medium for both"
        )


def examine(
    decks: Sequence[Path],
    *,
    medium: Mapping[str, object] | None = None,
    code: str | None = None,
) -> Examination:
    """Examine decks, stacked in this order as `deckwright run` would read them.

    Args:
        decks: the files.
        medium: the table `medium` of a job; None to find out.
        code: the code; None to find out.

    A deck that ends inside a card is examined up to its last whole one, and `warnings` says so.

    Raises:
        UnreadableDeckError: one of them is no deck.
        MixedDecksError: they lie on different media.
        OptionProblem, ValidationError, UnknownCodeError: medium or code cannot be used.
    """
    found, warnings = of_whole_cards(decks, lambda paths: _look(paths, medium, code))
    return replace(found, warnings=warnings) if warnings else found


def _look(
    decks: Sequence[Path], medium: Mapping[str, object] | None, code: str | None
) -> Examination:
    media = Media()
    kinds = _picture_files(decks, media, medium)
    if kinds:
        return _of_pictures(decks, media, medium, code, kinds)
    opened = [open_deck(deck, media, medium, code) for deck in decks]
    asking = next((one for one in opened if one.inner is None), None)
    if asking is not None:
        return _asked(asking)
    inner = _must_be_alike(opened)
    sources = survey([one.path for one in opened], [inner] * len(opened), media)
    table = sources[0].medium.code
    sample, counts = take_sample(sources, table)
    named = code is not None or (medium is not None and "code" in medium)
    reading = reading_of(opened[0], sample, table, media.folders, named=named)
    facts = [
        DeckFacts(one.deck.name, one.deck.stat().st_size, source.cards, source.offset + 1)
        for one, source in zip(opened, sources, strict=True)
    ]
    own = {name: data for name, data in media.configs.used.items() if Path(name).stem == table.name}
    found = Examination(facts, reading, table, sources[0].width, own_codes=own)
    return _examined(found, sources, sample, counts, table)


def _picture_files(
    decks: Sequence[Path], media: Media, medium: Mapping[str, object] | None
) -> dict[str, int]:
    """Return how many pictures of which kind decks hold; none where they are no pictures."""
    if medium is not None and medium.get("kind") != "pictures":
        return {}
    found = [pictures_in(deck, media) for deck in decks]
    if medium is None and not all(found):
        return {}
    return dict(sum((Counter(kinds) for kinds in found), Counter())) or {"file": len(decks)}


def _of_pictures(
    decks: Sequence[Path],
    media: Media,
    medium: Mapping[str, object] | None,
    code: str | None,
    kinds: Mapping[str, int],
) -> Examination:
    facts = [DeckFacts(deck.name, _size_of(deck), 0, 1) for deck in decks]
    held = ", ".join(f"{number:,} {kind}" for kind, number in sorted(kinds.items()))
    try:
        looked = look_at_pictures(decks, media, medium, code, kinds)
    except OptionProblem as problem:
        if medium is not None:
            raise
        said = f"{decks[0].name} holds pictures ({held}), and {problem.what}"
        options = {"kind": "pictures"}
        return Examination(facts, Reading(options, None, None, sure=False, question=said))
    firsts = np.cumsum([1, *looked.cards]).tolist()
    facts = [
        replace(fact, cards=cards, first_card=first)
        for fact, cards, first in zip(facts, looked.cards, firsts, strict=False)
    ]
    opened = OpenDeck(decks[0], decks[0], dict(looked.options), dict(looked.options), None)
    named = code is not None or (medium is not None and "code" in medium)
    reading = reading_of(opened, looked.sample, looked.code, media.folders, named=named)
    found = Examination(facts, reading, looked.code, COLUMNS, pictures=looked.facts)
    counts = Counts.of(cells_of(looked.code, holes=True), COLUMNS)
    sample = looked.sample
    for row, card in enumerate(sample.cards.tolist()):
        part = slice(row, row + 1)
        holes = None if sample.holes is None else sample.holes[part]
        counts.add(RawTray(card, sample.text[part], holes, None, []), 0)
    for reason, sentence, card in looked.odd:
        counts.note(reason, sentence, np.array([card]))
    counts.cards = sum(looked.cards)
    return _examined(found, (), sample, counts, looked.code)


def _size_of(deck: Path) -> int:
    if not deck.is_dir():
        return deck.stat().st_size
    return sum(path.stat().st_size for path in deck.rglob("*") if path.is_file())


def _asked(opened: OpenDeck) -> Examination:
    ranking = opened.ranking
    question = opened.question or (
        f"{opened.deck.name}: nothing reads it well enough to choose without asking; look at the "
        "candidates, then choose with --medium, or say --code when you know the code"
    )
    facts = [DeckFacts(opened.deck.name, opened.deck.stat().st_size, 0, 1)]
    return Examination(facts, Reading(opened.options, ranking, None, sure=False, question=question))


def _must_be_alike(opened: Sequence[OpenDeck]) -> dict[str, object]:
    """Return the medium of all decks; a code may differ where the cells do not tell."""
    first = dict(opened[0].inner or {})
    for other in opened[1:]:
        theirs = other.inner or {}
        for key in sorted(({*first} | {*theirs}) - {"code"}):
            if first.get(key) == theirs.get(key):
                continue
            if key == "record_length" and first.get("kind") == "text":
                # lines that are all shorter, or leave their trailing blanks out, are cards too
                widths = [one.get(key, _CARD) for one in (first, theirs)]
                first[key] = max(width for width in widths if isinstance(width, int))
                continue
            what = f"{key} = {theirs.get(key)!r} fits it, not {first.get(key)!r}"
            raise MixedDecksError(opened[0].deck.name, other.deck.name, what)
    if len(opened) > 1 and "record_length" in first:
        opened[0].options = _with_inner(opened[0].options, first)
    return first


def _with_inner(options: dict[str, object], inner: dict[str, object]) -> dict[str, object]:
    return {**options, "inside": inner} if options.get("kind") == "wrapped" else inner


def _examined(
    found: Examination,
    sources: Sequence[Source],
    sample: Sample,
    counts: Counts,
    code: CodeTable,
) -> Examination:
    kinds = byte_classes(code)
    spans = _running_spans(sample, kinds)
    division = divide(sample, kinds, spans)
    if division.first >= 0:
        division = _of_fields(sample, kinds, spans)
    types = TypeCount(division.first, division.last, division.values)
    if sample.whole or not sources:
        counts.running = [_followed(sample, span) for span in spans]
        types.add(sample.text)
        counts.types = types
    else:
        counts = count_all(sources, counts.cells, spans, types)
    sequences = [running.facts() for running in counts.running]
    sequences = [facts for facts in sequences if facts.numbers > 1 and facts.step > 0]
    sequences = [by_section(sample, facts) for facts in sequences]
    if not sequences and sample.whole and len(sample.text) >= _FEWEST:
        sequences = _shuffled(sample, kinds)
    looks = _looks(sample, division, kinds)
    return replace(
        found,
        cards=counts.cards,
        data_cards=counts.data_cards,
        looked_at=len(sample.text),
        lengths=dict(sorted(counts.lengths.items())),
        odd=tuple(
            Odd(reason, odd.sentence, odd.count, tuple(odd.cards))
            # what is rare is odd: it comes first
            for reason, odd in sorted(counts.odd.items(), key=lambda one: one[1].count)
        ),
        columns=_columns(counts),
        types=_types(division, sample, looks, counts, sequences),
        sequences=tuple(sequences),
        drawn=tuple(drawn_cards(sample, looks, code)),
    )


def _running_spans(sample: Sample, kinds: NDArray[np.uint8]) -> list[tuple[int, int]]:
    if not len(sample.text):
        return []
    return find_sequences(look_at(sample, kinds))[:MOST_SEQUENCES]


def _of_fields(
    sample: Sample, kinds: NDArray[np.uint8], running: Sequence[tuple[int, int]]
) -> Division:
    """Return what divides the cards, where it is no part of a number and changes several fields."""
    look = look_at(sample.rows(_some(len(sample.text))), kinds)
    known = [(first - 1, last - 1) for first, last in running]
    fields = find_fields(sample.text[:, :MOST_COLUMNS], kinds, known)
    numbers = [
        (span.first + 1, span.last + 1)
        for span in fields
        if span.sure >= _SURE and span.width > 1 and tells_no_type(look, span)
    ]
    division = divide(sample, kinds, [*running, *numbers])
    return division if pays(division, fields) else NOTHING_DIVIDES


def _some(count: int) -> NDArray[np.bool_]:
    """Return bool (count): rows from all across, few enough to look at twice."""
    which = np.zeros(count, np.bool_)
    which[np.linspace(0, count - 1, min(count, _TWICE)).astype(int)] = True
    return which


def _followed(sample: Sample, span: tuple[int, int]) -> Running:
    running = Running(*span)
    running.add(sample.text, sample.cards)
    return running


def _shuffled(sample: Sample, kinds: NDArray[np.uint8]) -> list[SequenceFacts]:
    span = find_shuffled(look_at(sample, kinds))
    if span is None:
        return []
    values, good = numbers_of(sample.text[:, span[0] - 1 : span[1]])
    order = np.argsort(values[good], kind="stable")
    running = Running(*span)
    running.add(sample.text[good][order], sample.cards[good][order])
    facts = running.facts()
    unread = sample.cards[~good][:8].tolist()
    return [replace(facts, shuffled=True, unread=int((~good).sum()), unread_cards=unread)]


def _looks(
    sample: Sample, division: Division, kinds: NDArray[np.uint8]
) -> list[tuple[Look, NDArray[np.bool_]]]:
    every = np.ones(len(sample.text), np.bool_)
    parts = [every] if division.first < 0 else rows_of_types(sample.text, division)
    return [
        (look_at(sample.rows(rows), kinds) if rows.any() else _nothing(sample, kinds), rows)
        for rows in parts
    ]


def _nothing(sample: Sample, kinds: NDArray[np.uint8]) -> Look:
    return look_at(sample.rows(np.zeros(len(sample.text), np.bool_)), kinds)


def _columns(counts: Counts) -> Columns:
    values = counts.values
    filled = values.copy()
    filled[:, counts.cells.blank] = 0
    most = filled.argmax(axis=1)
    top = [
        (counts.cells.characters[value] or "\u25af", int(filled[column, value]))
        for column, value in enumerate(most.tolist())
    ]
    return Columns(
        counts.data_cards,
        counts.cells.class_counts(values),
        (values > 0).sum(axis=1).astype(np.int64),
        top,
    )


def _types(
    division: Division,
    sample: Sample,
    looks: Sequence[tuple[Look, NDArray[np.bool_]]],
    counts: Counts,
    sequences: Sequence[SequenceFacts],
) -> Types:
    if division.first < 0:
        guesses = guess_fields(looks[0][0], sequences) if looks else []
        said = "no column divides the deck into types of cards"
        return Types(0, said, (TypeFacts("card", (), counts.data_cards, tuple(guesses)),))
    inside = [[shown(value) for value in group] for group in division.groups]
    found: list[TypeFacts] = []
    code = division.first + 1, division.last + 1
    total = 0
    for values, group, (look, _) in zip(inside, division.groups, looks, strict=False):
        cards = counts.types.cards(group) if counts.types else 0
        total += cards
        name, guesses = type_name(values, len(found) + 1), guess_fields(look, sequences, code)
        found.append(TypeFacts(name, values, cards, tuple(guesses)))
    others = counts.data_cards - total
    if others:
        guesses = guess_fields(looks[-1][0], (), code)
        found.append(TypeFacts("other", (), others, tuple(guesses)))
    one = division.first == division.last
    counts_up = counting_said(sample, division.first) if one else ""
    columns = ranges(range(division.first + 1, division.last + 2))
    sentence = (
        f"column{'' if one else 's'} {columns} hold{'s' if one else ''} "
        f"{sum(map(len, inside))} values, and with them "
        f"changes what columns {ranges([column + 1 for column in division.apart])} hold{counts_up}"
    )
    return Types(division.first + 1, sentence, tuple(found), last=division.last + 1)


_NAMED_BY = 3  # values at most that name a type of cards


def type_name(values: Sequence[str], number: int) -> str:
    """Return a name for the cards that hold one of these values: by them, or by its number.

    By the values where they are few and plain, so that a person knows the type by its name.
    """
    plain = all((value.isascii() and value.isalnum()) or not value.strip(" ") for value in values)
    if plain and len(values) <= _NAMED_BY:
        return "type_" + "_".join(value.strip(" ").lower() or "blank" for value in values)
    return f"type_number_{number}"


__all__ = ["CLASSES", "MixedDecksError", "examine"]
