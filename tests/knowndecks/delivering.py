"""Runs the layout that was proposed, as a user would, and compares what it delivers.

Each delivered value is compared with what stands in the columns of its proposed field, read here
by what the proposal says of it; and where it is read as a number or a date and its columns hold
exactly one true field, with the true value. Implied decimals are not compared, since nobody can see
them, nor columns with several holes.
"""

from __future__ import annotations

import csv
import re
import tomllib
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import numpy as np

from .asking import command
from .model import Deck, Field, Form
from .reading import UnfitError, value

Cell = dict[str, Any]
COUNTED = ("values", "otherwise", "left out", "untrue", "marks")


def delivered(deck: Deck, path: Path, proposal: Path) -> dict[str, int]:
    """Check and run the proposed job.

    Returns:
        `check` and `run`, exit codes; `returned`, cards; `values`, all that were compared with
        their columns; `otherwise`, those that are something else; `left out`, those that are
        nothing where something stands; `untrue`, those that are something else than the true
        field says; `marks`, those of them that are a mark over a digit taken for a sign.
    """
    jobs = sorted(proposal.glob("*.toml"))
    if not jobs:
        return {"no proposal": 1}
    told = {"check": command("check", jobs[0])}
    out = proposal / "run"
    told["run"] = command("run", jobs[0], path, "--out", out, "--workers", "1")
    if not (out / "out").exists():
        return told
    layout = tomllib.loads(next((proposal / "layouts").glob("*.toml")).read_text(encoding="utf-8"))
    rows: list[dict[str, str]] = []
    for file in sorted((out / "out").glob("*.csv")):
        with file.open(encoding="utf-8", newline="") as lines:
            rows.extend(csv.DictReader(lines))
    given = {int(row["card"]) for row in rows if row.get("card")}
    told["returned"] = len(deck.text) - len(given)
    counts = np.zeros(5, np.int64)
    for row in rows:
        counts += _of_card(deck, layout, row)
    told.update(zip(COUNTED, counts.tolist(), strict=True))
    return told


def _of_card(deck: Deck, layout: dict[str, Any], row: dict[str, str]) -> np.ndarray:
    card = int(row["card"]) - 1
    text = deck.text[card].tobytes().decode("ascii")
    true = _true_fields(deck, card)
    counts = np.zeros(5, np.int64)
    for one in _proposed(layout, row.get("card_type", "")):
        if one.get("kind") == "holes" or one["name"] not in row:
            continue
        first, _, last = one["columns"].partition("-")
        first, last = int(first), int(last or first)
        if (deck.holes[card, first - 1 : last] > 0).sum() != len(
            text[first - 1 : last].replace(" ", "")
        ):
            continue  # columns with several holes show no characters here
        cell, given = text[first - 1 : last].ljust(last - first + 1), row[one["name"]]
        counts[0] += 1
        if not given and cell.strip():
            counts[2] += 1
        elif not _stands(one, cell, given):
            counts[1] += 1
        elif one.get("kind") in {"whole", "decimal", "date", "exponent"}:
            untrue = _untrue(true.get((first, last)), cell, given)
            counts[3] += untrue
            counts[4] += untrue and true[first, last].form.sign == "flag-right"
    return counts


def _true_fields(deck: Deck, card: int) -> dict[tuple[int, int], Field]:
    for kind in deck.truth.types:
        at = int(np.searchsorted(kind.cards, card))
        if at < len(kind.cards) and kind.cards[at] == card:
            return {(one.first, one.last): one for one in kind.fields}
    return {}


def _proposed(layout: dict[str, Any], card_type: str) -> list[Cell]:
    """Plain and repeated fields of a type, each with its own columns."""
    fields = list(layout.get("field", []))
    for kind in layout.get("card", []):
        if kind["name"] == card_type:
            fields.extend(kind.get("field", []))
    made: list[Cell] = []
    for one in fields:
        if "repeat" not in one:
            made.append(one)
            continue
        first, _, last = one["columns"].partition("-")
        width = int(last or first) - int(first) + 1
        for number in range(one["repeat"]):
            at = int(first) + number * one.get("step", width)
            name = one["name"].format(n=number + one.get("first", 1))
            made.append({**one, "name": name, "columns": f"{at}-{at + width - 1}"})
    return made


def _stands(one: Cell, cell: str, given: str) -> bool:
    """Whether a delivered value is what stands in its columns, by what the proposal says."""
    if not given:
        return not cell.strip()
    kind = one.get("kind", "text")
    if kind in {"text", "digits", "choice"}:
        return cell.strip() == given.strip()
    sign = one.get("sign", "none")
    if kind == "exponent":
        return _power(cell, given)
    form = Form(
        {"whole": "whole", "decimal": "point" if one.get("point") == "punched" else "decimal"}.get(
            kind, kind
        ),
        one.get("form", ""),
        sign,
        " ",
        decimals=one.get("decimals", 0),
    )
    for justify in ("right", "left"):
        fitted = Form(form.kind, form.form, sign, " ", justify, form.decimals)
        try:
            stands = value(fitted, cell)
        except UnfitError:
            continue
        return _equal(stands, given)
    return "." not in cell and _equal(_plain(cell), given)


def _plain(cell: str) -> Decimal | None:
    try:
        return Decimal(cell.strip())
    except InvalidOperation:
        return None


def _equal(stands: Decimal | str | None, given: str) -> bool:
    if isinstance(stands, Decimal):
        return stands == _plain(given)
    return stands == given


def _power(cell: str, given: str) -> bool:
    found = re.fullmatch(r" *([+-]?\d*\.?\d*)[ED]?([+-]?\d+) *", cell)
    number = _plain(given)
    if not found or number is None:
        return False
    stands = Decimal(f"{found[1]}E{found[2]}")
    if "." in found[1] or not number:
        return stands == number
    return number.as_tuple().digits[:1] == stands.as_tuple().digits[:1]


def _untrue(field: Field | None, cell: str, given: str) -> int:
    """1 where a true field has another value than the one that was read as number or date."""
    if field is None or not given:
        return 0
    form = field.form
    if form.kind in {"whole", "decimal"}:
        form = Form("whole", form.form, form.sign, form.fill, form.justify)
    try:
        stands = value(form, cell)
    except UnfitError:
        return 0
    if form.kind == "exponent" and form.form == "implied":
        return int(not _power(cell, given))
    if isinstance(stands, Decimal) or form.kind == "date":
        return int(not _equal(stands, given))
    return int(str(stands).strip() != given)
