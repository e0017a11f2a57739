"""Measures how well `deckwright examine` tells the fields of decks whose fields are known.

    python -m tests.knowndecks.measure --half calibration --decks 150 --jobs 2 --detail

Every deck is written to a file and examined by the command line; what is answered, as JSON, is
compared with the truth, and the proposed layout of every deck without faulty cards is checked and
run. `judging.py` says what makes a claim right, part of a field, or wrong.

What is printed:

reading
    decks whose medium, code and length are right; that asked a question; that are wrong though sure
card types
    none (there are none, none were told), exact (mark and cards), equivalent (the same cards by
    another mark), coarser (several types taken for one), false (a type is cut in pieces, or there
    is one type only), missed
fields
    exactly (columns and kind), equivalent (the same but for columns that nobody can tell), columns
    only, cut or joined; fields blank on all cards are not counted
boundaries
    between two fields that hold something; anywhere in the blank columns between them is right
claims
    by strength, by kind of claim and by kind of true field: all, wrong, share of the wrong with its
    Wilson interval of 95 %, and those that are true of a part of a field only, counted apart.
    Card types are a claim too, part where they are coarser. Claims of decks that were read wrongly
    though sure are counted below the tables and not in them.
proposals
    decks without faulty cards whose proposed job failed, returned cards, delivered other values
    than stand in the columns, or none where something stands (as for headings), or values other
    than the true fields have
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from .asking import ask, punched
from .comparing import Judged, Outcome, compared
from .decks import HALVES, deck, seeds
from .delivering import delivered
from .judging import RIGHT

STRENGTHS = ("holds", "strong", "likely", "possible")


def wilson(wrong: int, count: int) -> tuple[float, float]:
    """The interval of 95 % of a share, by Wilson 1927."""
    if not count:
        return 0.0, 1.0
    z = 1.959964
    share = wrong / count
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * math.sqrt(share * (1 - share) / count + (z / (2 * count)) ** 2)
    return max(middle - half, 0.0), min(middle + half, 1.0)


def measured(seed: int) -> Outcome:
    """Examine the deck of a seed and compare."""
    made = deck(seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path, proposal = punched(made, folder), folder / "proposal"
        outcome = compared(made, ask(path, proposal))
        if not made.truth.faulty and outcome.reading == "right":
            outcome.delivered = delivered(made, path, proposal)
    return outcome


def main() -> None:
    """Measure as asked for and print the tables."""
    parser = argparse.ArgumentParser(description="Measure `deckwright examine` on known decks.")
    parser.add_argument("--half", choices=HALVES, required=True)
    parser.add_argument("--decks", type=int, default=150, help="how many [default: 150]")
    parser.add_argument("--jobs", type=int, default=1, help="processes at a time [default: 1]")
    parser.add_argument("--detail", action="store_true", help="print every wrong claim")
    asked = parser.parse_args()
    wanted = seeds(asked.half, asked.decks)
    if asked.jobs > 1:
        with multiprocessing.get_context("spawn").Pool(asked.jobs, maxtasksperchild=20) as pool:
            outcomes = pool.map(measured, wanted, chunksize=1)
    else:
        outcomes = [measured(seed) for seed in wanted]
    if asked.detail:
        _details(outcomes)
    print(f"{len(outcomes)} decks of the half '{asked.half}'")
    _reading(outcomes)
    _fields(outcomes)
    _claims(outcomes)
    _proposals(outcomes)


def _details(outcomes: Sequence[Outcome]) -> None:
    for one in outcomes:
        if one.note:
            print(f"deck {one.seed} {one.family}: {one.reading}: {one.note}")
        if one.types in {"false", "missed", "coarser"}:
            print(f"deck {one.seed} {one.family}: card types {one.types}")
        for claim, told, truth, _ in map(_parts, one.claims):
            if told == "wrong":
                print(
                    f"deck {one.seed} {one.family}: {claim.first}-{claim.last} {claim.what},"
                    f" {claim.strength}; truth: {truth}"
                )
        if one.delivered.get("otherwise") or one.delivered.get("untrue"):
            print(f"deck {one.seed} {one.family}: delivered {one.delivered}")
    print()


def _parts(one: Judged) -> tuple:
    return one.claim, one.verdict, one.truth, one.true_kind


def _table(title: str, heads: Sequence[str], lines: Iterable[Sequence[object]]) -> None:
    made = [[title, *heads], *([str(cell) for cell in line] for line in lines)]
    widths = [max(map(len, column)) for column in zip(*made, strict=True)]
    print()
    for line in made:
        cells = [cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True)]
        print("  ".join([line[0].ljust(widths[0]), *cells]))


def _percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _reading(outcomes: Sequence[Outcome]) -> None:
    count = len(outcomes)
    for title, told in (
        ("medium, code, length", Counter(one.reading for one in outcomes)),
        ("card types", Counter(one.types or "not examined" for one in outcomes)),
    ):
        _table(
            title, ("decks", "share"), ((k, n, _percent(n, count)) for k, n in told.most_common())
        )


def _fields(outcomes: Sequence[Outcome]) -> None:
    found: Counter[tuple[str, str]] = Counter()
    for one in outcomes:
        found += one.fields
    ways = ("exact", "equivalent", "columns only", "cut or joined")
    kinds = sorted({kind for kind, _ in found})
    lines = []
    for kind in [*kinds, "all"]:
        counts = [sum(found[k, way] for k in kinds if kind in {k, "all"}) for way in ways]
        total = sum(counts)
        lines.append((kind, total, *(_percent(n, total) for n in counts)))
    _table("true fields", ("fields", *ways), lines)
    said, right, true, hit = sum((one.cuts for one in outcomes), np.zeros(4, np.int64)).tolist()
    heads = ("claimed", "true", "precision", "recall")
    line = ("between fields", said, true, _percent(right, said), _percent(hit, true))
    _table("boundaries", heads, [line])


def _claims(outcomes: Sequence[Outcome]) -> None:
    claims = [claim for one in outcomes for claim in one.claims]
    heads = ("claims", "wrong", "share", "95 % interval", "part only", "wrong or part")
    for title, key in (
        ("strength", lambda one: one.claim.strength),
        ("claimed", lambda one: one.claim.kind if one.true_kind != "types" else "card types"),
        ("truth", lambda one: one.true_kind),
        ("strength, claimed", _both),
    ):
        _table(title, heads, _by(claims, key))
    ways = Counter(one.verdict for one in claims)
    words = ", ".join(f"{way} {ways[way]}" for way in (*RIGHT, "part", "wrong"))
    print(f"\n{len(claims)} claims: {words}")
    misread = Counter(claim.strength for one in outcomes for claim in one.misread)
    if misread:
        print(f"besides, claims of decks that were read wrongly though sure: {dict(misread)}")
    unknown = Counter(what for one in outcomes for what in one.unknown)
    if unknown:
        print(f"in words not known here, judged by what they would deliver: {dict(unknown)}")


def _both(one: Judged) -> str:
    kind = one.claim.kind if one.true_kind != "types" else "card types"
    return f"{one.claim.strength} {kind}"


def _by(claims: Sequence[Judged], key: Callable[[Judged], str]) -> list[tuple]:
    groups: dict[str, list[str]] = {}
    for one in claims:
        groups.setdefault(key(one), []).append(one.verdict)
    lines = []
    for name in sorted(groups, key=_place):
        told = groups[name]
        wrong, part = told.count("wrong"), told.count("part")
        low, high = wilson(wrong, len(told))
        interval = f"{100 * low:.2f} to {100 * high:.2f} %"
        share = _percent(wrong, len(told))
        both = _percent(wrong + part, len(told))
        lines.append((name, len(told), wrong, share, interval, part, both))
    return lines


def _place(name: str) -> tuple[int, str]:
    word = name.partition(" ")[0]
    return (STRENGTHS.index(word) if word in STRENGTHS else -1), name


def _proposals(outcomes: Sequence[Outcome]) -> None:
    tried = [one.delivered for one in outcomes if one.delivered]
    run = [one for one in tried if "values" in one]
    counts = {
        "decks without faults, proposal run": len(tried),
        "no proposal": sum("no proposal" in one for one in tried),
        "check or run failed": sum(bool(one.get("check") or one.get("run")) for one in tried),
        "with returned cards": sum(one["returned"] > 0 for one in run),
        "cards returned": sum(one["returned"] for one in run),
        "with values other than in their columns": sum(one["otherwise"] > 0 for one in run),
        "with values left out": sum(one["left out"] > 0 for one in run),
        "with values other than the true ones": sum(one["untrue"] > 0 for one in run),
        "with marks taken for signs among them": sum(one["marks"] > 0 for one in run),
        "values compared": sum(one["values"] for one in run),
        "values other than in their columns": sum(one["otherwise"] for one in run),
        "values left out where something stands": sum(one["left out"] for one in run),
        "values other than the true ones": sum(one["untrue"] for one in run),
        "marks taken for signs among them": sum(one["marks"] for one in run),
    }
    _table("proposed layouts", ("count",), counts.items())


if __name__ == "__main__":
    main()
