"""Examine decks: what they lie on, what stands in them, what their fields may be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import CodeTable
from deckwright.errors import DeckError
from deckwright.examine.classes import byte_classes
from deckwright.examine.counting import Counts
from deckwright.examine.dividing import Division, divide, rows_of_types
from deckwright.examine.evidence import reading_of
from deckwright.examine.guessing import guess_fields
from deckwright.examine.look import Look, look_at
from deckwright.examine.measuring import shown
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
from deckwright.examine.oddest import drawn_cards
from deckwright.examine.opening import Media, OpenDeck, open_deck
from deckwright.examine.running import Running, numbers_of
from deckwright.examine.said import ranges
from deckwright.examine.sampling import Sample, Source, count_all, survey, take_sample
from deckwright.examine.sequencefinding import counting_said, find_sequences, find_shuffled

MOST_SEQUENCES = 3

_FEWEST = 12


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

    Raises:
        UnreadableDeckError: one of them is no deck, or ends inside a card.
        MixedDecksError: they lie on different media.
        OptionProblem, ValidationError, UnknownCodeError: medium or code cannot be used.
    """
    media = Media()
    opened = [open_deck(deck, media, medium, code) for deck in decks]
    asking = next((one for one in opened if one.inner is None), None)
    if asking is not None:
        return _asked(asking)
    _must_be_alike(opened)
    inner = [one.inner or {} for one in opened]
    sources = survey([one.path for one in opened], [inner[0]] * len(opened), media)
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


def _asked(opened: OpenDeck) -> Examination:
    ranking = opened.ranking
    question = (
        f"{opened.deck.name}: nothing reads it well enough to choose without asking; look at the "
        "candidates, then choose with --medium, or say --code when you know the code"
    )
    facts = [DeckFacts(opened.deck.name, opened.deck.stat().st_size, 0, 1)]
    return Examination(facts, Reading(opened.options, ranking, None, sure=False, question=question))


def _must_be_alike(opened: Sequence[OpenDeck]) -> None:
    """Check that decks lie on one medium; a code may differ where the cells do not tell."""
    first = opened[0].inner or {}
    for other in opened[1:]:
        theirs = other.inner or {}
        for key in sorted(({*first} | {*theirs}) - {"code"}):
            if first.get(key) != theirs.get(key):
                what = f"{key} = {theirs.get(key)!r} fits it, not {first.get(key)!r}"
                raise MixedDecksError(opened[0].deck.name, other.deck.name, what)


def _examined(
    found: Examination,
    sources: Sequence[Source],
    sample: Sample,
    counts: Counts,
    code: CodeTable,
) -> Examination:
    kinds = byte_classes(code)
    spans = _running_spans(sample, kinds)
    if sample.whole:
        counts.running = [_followed(sample, span) for span in spans]
    else:
        counts = count_all(sources, counts.cells, spans)
    sequences = [running.facts() for running in counts.running]
    sequences = [facts for facts in sequences if facts.numbers > 1 and facts.step > 0]
    if not sequences and sample.whole and len(sample.text) >= _FEWEST:
        sequences = _shuffled(sample, kinds)
    division = divide(sample, kinds)
    looks = _looks(sample, division, kinds)
    return replace(
        found,
        cards=counts.cards,
        data_cards=counts.data_cards,
        looked_at=len(sample.text),
        lengths=dict(sorted(counts.lengths.items())),
        odd=tuple(
            Odd(reason, odd.sentence, odd.count, tuple(odd.cards))
            for reason, odd in sorted(counts.odd.items(), key=lambda one: -one[1].count)
        ),
        columns=_columns(counts),
        types=_types(division, sample, looks, counts, sequences, code),
        sequences=tuple(sequences),
        drawn=tuple(drawn_cards(sample, looks, code)),
    )


def _running_spans(sample: Sample, kinds: NDArray[np.uint8]) -> list[tuple[int, int]]:
    if not len(sample.text):
        return []
    return find_sequences(look_at(sample, kinds))[:MOST_SEQUENCES]


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
    parts = [every] if division.column < 0 else rows_of_types(sample.text, division)
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
    code: CodeTable,
) -> Types:
    if division.column < 0:
        guesses = guess_fields(looks[0][0], sequences) if looks else []
        said = "no column divides the deck into types of cards"
        return Types(0, said, (TypeFacts("card", (), counts.data_cards, tuple(guesses)),))
    inside = [[shown(bytes([value])) for value in group] for group in division.groups]
    found = []
    total = 0
    for values, group, (look, _) in zip(inside, division.groups, looks, strict=False):
        cards = _cards_with(counts, division.column, group, code)
        total += cards
        name = "type_" + "_".join(_word(value) for value in values)
        found.append(TypeFacts(name, values, cards, tuple(guess_fields(look, sequences))))
    others = counts.data_cards - total
    if others:
        guesses = guess_fields(looks[-1][0], ())
        found.append(TypeFacts("other", (), others, tuple(guesses)))
    counts_up = counting_said(sample, division.column)
    sentence = (
        f"column {division.column + 1} holds {sum(map(len, inside))} values, and with them "
        f"changes what columns {ranges([column + 1 for column in division.apart])} hold{counts_up}"
    )
    return Types(division.column + 1, sentence, tuple(found), division.strength)


def _cards_with(counts: Counts, column: int, group: Sequence[int], code: CodeTable) -> int:
    wanted = {code.alphabet.characters[value] for value in group}
    cells = counts.values[column]
    return int(
        sum(cells[value] for value, text in enumerate(counts.cells.characters) if text in wanted)
    )


def _word(value: str) -> str:
    if value.isascii() and value.isalnum():
        return value.lower()
    return "blank" if value == " " else f"x{ord(value):02x}"


__all__ = ["CLASSES", "MixedDecksError", "examine"]
