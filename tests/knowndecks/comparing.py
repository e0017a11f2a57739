"""A whole answer against the truth: medium, types of cards, fields, boundaries, claims."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .asking import Answer, Claim, Guessed
from .judging import ORDER, RIGHT, Known, verdict
from .model import Deck, Field

ENOUGH = 0.05
"""Share of the cards that a claim speaks of which a type must have to be judged."""

MEANT = {
    "text": {"text"},
    "code": {"code", "digits", "constant"},
    "whole": {"whole", "digits", "signed", "overpunched", "date", "time"},
    "decimal": {"whole", "digits", "signed", "overpunched"},
    "point": {"point"},
    "exponent": {"exponent"},
    "date": {"date"},
    "time": {"time"},
    "identifier": {"digits", "text", "code", "check digit", "sequence"},
    "sequence": {"sequence"},
    "flag": {"code", "constant"},
    "holes": {"holes"},
    "constant": {"constant", "code"},
}
"""Which right claims say the kind of a field."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A claim with its verdict, and the field that it has most to do with."""

    claim: Claim
    verdict: str
    truth: str
    true_kind: str


@dataclass(slots=True)
class Outcome:
    """All that was compared of one deck.

    `reading` is right, asked, or wrong; `misread` are the claims of a deck that was read wrongly
    though sure, which are compared with nothing. `types` is none, exact, equivalent, coarser,
    false, missed. `fields` counts truth kinds with how they were found. `cuts` are boundaries:
    claimed, right among them, true, found among them.
    """

    seed: int
    family: str
    reading: str = ""
    note: str = ""
    types: str = ""
    claims: list[Judged] = field(default_factory=list)
    misread: list[Claim] = field(default_factory=list)
    fields: Counter[tuple[str, str]] = field(default_factory=Counter)
    cuts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(4, np.int64))
    unknown: list[str] = field(default_factory=list)
    delivered: dict[str, int] = field(default_factory=dict)


def compared(deck: Deck, answer: Answer) -> Outcome:
    """Compare an answer with the truth of its deck."""
    outcome = Outcome(deck.seed, deck.family)
    outcome.reading, outcome.note = _reading(deck, answer)
    if outcome.reading == "refused" or not answer.types:
        return outcome
    if outcome.reading == "asked, first is wrong":
        return outcome
    if outcome.reading.startswith("wrong"):
        outcome.misread = [claim for guessed in answer.types for claim in guessed.claims]
        return outcome
    groups = _groups(deck, answer)
    outcome.types = _types(deck, groups)
    if outcome.types == "exact" and deck.truth.type_columns != (answer.first, answer.last):
        outcome.types = "equivalent"
    if len(answer.types) > 1:
        told = {"exact": "exact", "equivalent": "equivalent", "coarser": "part", "none": "exact"}
        claim = Claim(answer.first, answer.last, "card types", answer.strength, {})
        mark = str(deck.truth.type_columns)
        outcome.claims.append(Judged(claim, told.get(outcome.types, "wrong"), mark, "types"))
    for guessed, cards in zip(answer.types, groups, strict=True):
        known = [Known.of(deck, kind, cards) for kind in deck.truth.data_types]
        known = [one for one in known if len(one.cards) >= ENOUGH * len(cards) > 0]
        judged = [_judged(claim, known) for claim in guessed.claims]
        outcome.claims.extend(one for one in judged if one is not None)
        outcome.unknown.extend(claim.what for claim in guessed.claims if not claim.known)
    for kind in deck.truth.data_types:
        one = Known.of(deck, kind)
        shares = [len(np.intersect1d(one.cards, cards)) for cards in groups]
        if len(one.cards):
            _fields(outcome, one, answer.types[int(np.argmax(shares))].claims)
    return outcome


def _judged(claim: Claim, known: list[Known]) -> Judged | None:
    """Judge a claim; none where no card of data has anything in its columns, or is spoken of."""
    found = [(verdict(claim, one), one) for one in known]
    spoken = [(told, one) for told, one in found if told]
    if not spoken:
        return None
    worst, where = max(spoken, key=lambda pair: ORDER.index(pair[0]))
    fields = [
        one
        for one in where.kind.fields
        if one.first <= claim.last and claim.first <= one.last and where.occupied(one)[0]
    ]
    if not fields:
        return Judged(claim, worst, "blank", "blank")
    words = ", ".join(_said(one) for one in fields)
    kinds = {one.form.kind for one in fields}
    kind = kinds.pop() if len(fields) == 1 else "several"
    return Judged(claim, worst, words, kind)


def _said(one: Field) -> str:
    form = one.form
    sign = "" if form.sign == "none" else form.sign
    words = (one.name, f"{one.first}-{one.last}", form.kind, form.form, sign)
    return " ".join(word for word in words if word)


def _needed(deck: Deck) -> int:
    """Columns up to the last with a hole; all of them where every record has all."""
    used = np.flatnonzero((deck.holes > 0).any(axis=0))
    return int(used[-1]) + 1 if len(used) else 1


def _reading(deck: Deck, answer: Answer) -> tuple[str, str]:
    """Whether medium, code and length are right; and what was said instead."""
    if not answer.medium:
        return "refused", "stopped with a question"
    said, true = _inside(answer.medium), _inside(dict(deck.truth.medium))
    fixed = true["kind"] in {"blocks", "column-binary"}
    width = answer.width or said.get("record_length", 80)
    right = (
        said["kind"] == true["kind"]
        and said.get("form") == true.get("form")
        and said.get("bits", "two-bytes") == true.get("bits", "two-bytes")
        and _same_text(deck, answer)
        and (width == deck.truth.record_length if fixed else width >= _needed(deck))
    )
    told = {key: value for key, value in said.items() if key != "same"}
    note = "" if right else f"{told}, {width} columns, for {true}"
    if answer.asked:
        return ("asked, first is right" if right else "asked, first is wrong"), note
    return ("right" if right else "wrong though sure"), note


def _inside(medium: dict[str, object]) -> dict[str, object]:
    inside = medium.get("inside")
    return dict(inside) if isinstance(inside, dict) else medium


def _same_text(deck: Deck, answer: Answer) -> bool:
    """Whether the code, or else the cards that are shown, are those of the deck."""
    said = _inside(answer.medium).get("code")
    same = answer.medium.get("same") or []
    if said == deck.truth.code or (isinstance(same, list) and deck.truth.code in same):
        return True
    if deck.truth.medium["kind"] in {"blocks", "records"}:
        signs = bytes(np.unique(deck.text)).decode("ascii")
        try:
            return signs.encode(str(said)) == signs.encode(deck.truth.code)
        except (LookupError, UnicodeEncodeError):
            return False
    shown = [
        (text.rstrip(), deck.text[card - 1].tobytes().decode("ascii").rstrip())
        for card, text in answer.drawn
        if card <= len(deck.text) and (deck.holes[card - 1] > 0).any()
    ]
    return bool(shown) and all(said == true for said, true in shown)


def _groups(deck: Deck, answer: Answer) -> list[NDArray[np.int64]]:
    """The cards of data of each guessed type, by the texts of its mark."""
    data = np.concatenate([kind.cards for kind in deck.truth.data_types])
    data = np.setdiff1d(data, np.array(deck.truth.faulty, np.int64))
    if len(answer.types) < 2:
        return [data] * len(answer.types)
    width = answer.last - answer.first + 1
    part = deck.text[data, answer.first - 1 : answer.last]
    marks = np.array([row.tobytes().decode("ascii").ljust(width) for row in part])
    named = {value.ljust(width) for one in answer.types for value in one.values}
    rest = ~np.isin(marks, list(named))
    return [
        data[np.isin(marks, _values(one, width))] if one.values else data[rest]
        for one in answer.types
    ]


def _values(guessed: Guessed, width: int) -> list[str]:
    return [value.ljust(width) for value in guessed.values]


def _types(deck: Deck, groups: list[NDArray[np.int64]]) -> str:
    """How the guessed types divide the cards of data, beside the true types."""
    true = [kind for kind in deck.truth.data_types if len(kind.cards)]
    counts = np.array(
        [[len(np.intersect1d(kind.cards, cards)) for kind in true] for cards in groups]
    )
    rows = counts[counts.sum(axis=1) > 0]  # others have headings and the like only
    if len(rows) < 2 or len(true) < 2:
        return "false" if len(rows) > 1 else "none" if len(true) < 2 else "missed"
    total = rows.sum()
    # a mark that stays within a type: each true type lies in one group, but for one in a hundred
    if rows.max(axis=0).sum() < 0.99 * total:
        return "false"
    if rows.max(axis=1).sum() < 0.99 * total or len(rows) < len(true):
        return "coarser"
    return "exact"


def _fields(outcome: Outcome, known: Known, claims: tuple[Claim, ...]) -> None:
    """How each field of a type was found, and each boundary between two."""
    there = [one for one in known.kind.fields if known.occupied(one)[0]]
    for one in there:
        outcome.fields[one.form.kind, _found(one, known, claims)] += 1
    spans = [known.occupied(one) for one in there]
    true = [(left[1], right[0]) for left, right in itertools.pairwise(spans)]
    used = [claim for claim in claims if claim.kind != "not used" and _any(known, claim)]
    used.sort(key=lambda claim: claim.first)
    said = [(left.last, right.first) for left, right in itertools.pairwise(used)]
    hit = [any(a < d and c < b for c, d in true) for a, b in said]
    found = [any(a < d and c < b for a, b in said) for c, d in true]
    outcome.cuts += np.array([len(said), sum(hit), len(true), sum(found)])


def _any(known: Known, claim: Claim) -> bool:
    return bool(known.used(claim.first, claim.last).any())


def _found(one: Field, known: Known, claims: tuple[Claim, ...]) -> str:
    """Exact, equivalent, columns only, or cut or joined."""
    first, last = known.occupied(one)
    for claim in claims:
        if claim.kind == "not used" or claim.last < first or claim.first > last:
            continue
        told = verdict(claim, known)
        if told in RIGHT and (
            (claim.first <= first and claim.last >= last) or told == "equivalent"
        ):
            if told == "unspecific" or claim.kind not in MEANT[one.form.kind]:
                return "columns only"
            return told
        if (claim.first, claim.last) in {(one.first, one.last), (first, last)}:
            return "columns only"
    return "cut or joined"
