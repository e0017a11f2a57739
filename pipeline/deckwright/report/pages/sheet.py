"""The control sheet: one page of HTML that accounts for every card of a run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from deckwright.report.drawing.cardview import card_view
from deckwright.report.figures import CHECK, CROSS, LOOK_SIGN
from deckwright.report.html import drawn, page
from deckwright.report.model import MERGE_OUTCOMES, SORT_PROOF, ControlData, StageLine
from deckwright.report.pages.codesection import code_view
from deckwright.report.pages.faultplots import column_plot, order_plot
from deckwright.report.pages.todo import fatal_reasons, steps
from deckwright.wording import percent, plural

MOST_DRAWN = 12
"""Returned cards that the sheet draws."""

_MANY = 0.5
"""Share of returned cards from which on a run needs a warning."""


@dataclass(frozen=True, slots=True)
class StageView:
    """What one stage did, in words. outcomes: the four of a merge; held: ends the proof."""

    stage: StageLine
    proof: str
    digest: str
    held: str
    outcomes: Sequence[tuple[int, str]]
    facts: Mapping[str, str | int]


def control_sheet(control: ControlData) -> str:
    """Return the control sheet as one HTML page that needs no other file and no script.

    The same data give the same page, byte for byte.
    """
    places = control.places
    whole = control.arrived + control.added
    return page(
        "control.html",
        "Control sheet",
        control.title,
        control=control,
        sign=_sign(control),
        says=_says(control),
        state="" if control.balances else "bad",
        sides=_sides(control),
        todo=steps(control),
        summary=_summary(control),
        code=code_view(control.code),
        fatal=fatal_reasons(control),
        asked=[reason for reason in control.reasons if reason.severity != "fatal"],
        columns=column_plot(places) if places else None,
        order=order_plot(places) if places else None,
        whole=whole == control.delivered + control.returned + control.left_out,
        stages=[_stage_view(stage) for stage in control.stages],
        cards=[
            card_view(card, f"card{place}")
            for place, card in enumerate(control.returned_cards[:MOST_DRAWN], 1)
        ],
        shown=_shown(control),
    )


def _sign(control: ControlData) -> Markup:
    """Return a sign beside the verdict: a tick only where nothing is left to do."""
    if not control.balances or control.returned >= _MANY * max(1, control.arrived):
        return drawn(CROSS)
    to_look_at = any(fault.severity == "query" for fault in control.run_faults)
    return drawn(LOOK_SIGN if control.returned or to_look_at else CHECK)


def _says(control: ControlData) -> str:
    if not control.balances:
        return "The counts do not add up. Do not release this run."
    return f"Every card is accounted for. {_came_back(control)}{_left_out(control)}."


def _came_back(control: ControlData) -> str:
    if not control.arrived:
        return "There was none"
    if not control.returned:
        return "None came back"
    share = percent(control.returned / control.arrived)
    return f"{control.returned:,} of {plural(control.arrived, 'card')} ({share}) came back"


def _left_out(control: ControlData) -> str:
    if not control.left_out:
        return ""
    were = "was" if control.left_out == 1 else "were"
    reasons = {line.reason for line in control.aside}
    what = f"{reasons.pop().replace('-', ' ')} card" if len(reasons) == 1 else "card without data"
    many = "cards without data" if what == "card without data" else f"{what}s"
    if what.endswith("card card"):
        what, many = what.removesuffix(" card"), what.removesuffix(" card") + "s"
    return f"; {plural(control.left_out, what, many)} {were} left out"


def _sides(control: ControlData) -> list[list[tuple[str, int, str]]]:
    """Return the two sides of the equation."""
    came = [("", control.arrived, "came in")]
    if control.added:
        came.append(("+", control.added, "added"))
    reasons = ", ".join(sorted({line.reason.replace("-", " ") for line in control.aside}))
    went = [
        ("=" if control.balances else "\u2260", control.delivered, "delivered"),
        ("+", control.returned, "returned"),
        ("+", control.left_out, f"left out ({reasons})" if reasons else "left out"),
    ]
    return [came, went]


def _summary(control: ControlData) -> str:
    """Return what a person signs, in one line."""
    added = f" + {control.added:,} added" if control.added else ""
    sign = "=" if control.balances else "\u2260"
    out = f"{control.delivered:,} delivered + {control.returned:,} returned"
    came = f"{control.arrived:,} cards in{added}"
    return f"{control.title}: {came} {sign} {out} + {control.left_out:,} left out."


def _shown(control: ControlData) -> str:
    shown = len(control.returned_cards[:MOST_DRAWN])
    returned = max(control.returned, len(control.returned_cards))
    if shown == returned:
        return "The one returned card." if shown == 1 else f"All {shown} returned cards."
    return f"{shown} of {plural(returned, 'returned card')}, some of each reason."


def _stage_view(stage: StageLine) -> StageView:
    proof, digest, held = _proof(stage)
    outcomes = _outcomes(stage)
    return StageView(stage, proof, digest, held, outcomes, _facts(stage, proof, outcomes))


def _proof(stage: StageLine) -> tuple[str, str, str]:
    """Return the proof of a sort: as many cards, and the same digest, before as after."""
    if not all(name in stage.facts for name in SORT_PROOF):
        return "", "", ""
    before, after = (_digest(stage.facts[name]) for name in SORT_PROOF)
    if before == after and stage.arrived + stage.added == stage.left:
        cards = plural(stage.left, "card")
        return f"{cards} before and after, same digest", after, ": none lost, doubled or changed."
    came, went = plural(stage.arrived, "card"), plural(stage.left, "card")
    said = f"BEFORE AND AFTER DIFFER: {came}, digest {before}; then {went}, digest {after}."
    return said, "", ""


def _digest(value: str | int) -> str:
    return f"{value:016x}" if isinstance(value, int) else value


def _outcomes(stage: StageLine) -> list[tuple[int, str]]:
    """Return the four outcomes of a merge."""
    facts = [stage.facts.get(name) for name in MERGE_OUTCOMES]
    numbers = [fact for fact in facts if isinstance(fact, int)]
    if len(numbers) < len(MERGE_OUTCOMES):
        return []
    matched, without, masters, alone = numbers
    return [
        (matched, "cards with a master record"),
        (without, "cards without a master record"),
        (masters - alone, "master records with a card"),
        (alone, "master records without a card"),
    ]


def _facts(
    stage: StageLine, proof: str, outcomes: Sequence[tuple[int, str]]
) -> dict[str, str | int]:
    placed = (SORT_PROOF if proof else ()) + (MERGE_OUTCOMES if outcomes else ())
    shown: dict[str, str | int] = {}
    if not stage.facts:
        shown = {"in": stage.arrived, "out": stage.left}
        others = {"added": stage.added, "returned": stage.returned, "left out": stage.set_aside}
        shown |= {name: number for name, number in others.items() if number}
    shown |= {
        name.replace("_", " "): value for name, value in stage.facts.items() if name not in placed
    }
    if stage.queries:
        shown["queries"] = stage.queries
    return shown
