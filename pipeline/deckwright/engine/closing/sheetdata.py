"""What the control sheet and the journal's index say of a run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import zip_longest
from typing import Any

import numpy as np
import polars as pl

from deckwright.engine.closing.asidecards import Aside
from deckwright.engine.closing.codecheck import code_reading
from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.lastwords import table_lines
from deckwright.engine.closing.outfiles import writer_of
from deckwright.engine.closing.reasoncounts import reason_counts
from deckwright.engine.closing.returnedgroups import ReturnedGroups, numbers_said
from deckwright.engine.closing.returning import original_names
from deckwright.engine.closing.runfiles import RETURNED_PAGE, run_files
from deckwright.engine.passes.tasks import added_base
from deckwright.engine.planning.personal import columns_as_read
from deckwright.engine.planning.plan import Pass
from deckwright.engine.planning.written import heads_of
from deckwright.layout.personal import KEPT_BACK_NOTE, masked, out_of_place, over
from deckwright.layout.reading import Layout
from deckwright.layout.tray import Tray
from deckwright.plugin.stages import SinkStage
from deckwright.report.drawing.cards import COLUMNS
from deckwright.report.drawing.fields import fields_of
from deckwright.report.drawing.notes import fault_sentence, patterns_of, printed_of
from deckwright.report.model import (
    AsideLine,
    CardLine,
    ControlData,
    DeckLine,
    FaultPlaces,
    Mark,
    NamedDeckLine,
    OutputLine,
    ReasonLine,
    ReturnedGroup,
    RunFaultLine,
    StageLine,
)

_ON_SHEET = 12
"""Returned cards that the control sheet draws: some of every reason."""


def sheet_data(
    ending: Ending,
    control: Mapping[str, Any],
    groups: Sequence[ReturnedGroup],
    aside: Sequence[Aside],
    places: FaultPlaces,
) -> ControlData:
    """Return what the control sheet shows."""
    return ControlData(
        title=control["title"],
        decks=[
            DeckLine(_deck_said(d), d["cards"], d["size"], d["sha256"]) for d in control["decks"]
        ],
        named_decks=[
            NamedDeckLine(d["deck"], d["in"], d["out"], d["returned"], d["set_aside"])
            for d in control.get("named_decks", ())
        ],
        stages=[_stage(stage) for stage in control["stages"]],
        equation_holds=control["equation"]["holds"],
        reasons=[
            ReasonLine(r["stage"], r["reason"], r["field"], r["severity"], r["cards"], r["detail"])
            for r in control["reasons"]
        ],
        outputs=[
            OutputLine(o["file"], _form(ending, o["file"]), o["rows"], o["size"], o["sha256"])
            for o in control["outputs"]
        ],
        returned_cards=some_of(groups),
        returned_page=RETURNED_PAGE if groups else "",
        code=code_reading(ending),
        aside=[AsideLine(one.stage, one.reason, one.count, _named(one, ending)) for one in aside],
        files=run_files(ending, returned_page=bool(groups)),
        places=places,
        tables=table_lines(ending),
        run_faults=[
            RunFaultLine(f["stage"], f["reason"], f["severity"], f["detail"])
            for f in control["run_faults"]
        ],
    )


def _deck_said(deck: Mapping[str, Any]) -> str:
    return f"{deck['deck']} ({deck['file']})" if "deck" in deck else str(deck["name"])


def _named(aside: Aside, ending: Ending) -> str:
    more = aside.count - len(aside.first)
    named = numbers_said(aside.first, ending.decks)
    return f"{named} and {more:,} more" if more else named


def some_of(groups: Sequence[ReturnedGroup]) -> list[CardLine]:
    """Return cards of all reasons by turns."""
    turns = zip_longest(*(group.cards[:_ON_SHEET] for group in groups))
    return [card for turn in turns for card in turn if card is not None][:_ON_SHEET]


def _form(ending: Ending, file: str) -> str:
    step = writer_of(ending, file)
    if step is None:
        return ""
    if isinstance(step.stage, SinkStage) and file in step.stage.files():
        return step.stage.form_of(file)
    return "table"


def _stage(stage: Mapping[str, Any]) -> StageLine:
    return StageLine(
        stage["number"], stage["kind"], stage["title"], stage["in"], stage["added"], stage["out"],
        stage["returned"], stage["set_aside"], stage["queries"], stage["facts"],
    )  # fmt: skip


def returned_groups(ending: Ending, groups: ReturnedGroups) -> list[ReturnedGroup]:
    """Return returned cards by reason, the most frequent first."""
    sentences: dict[tuple[int, str, str], tuple[int, str]] = {}
    for (stage, severity, reason, field, detail), cards in reason_counts(ending.reasons).items():
        if severity == "fatal":
            key = (stage, reason, field)
            sentences[key] = max(sentences.get(key, (0, "")), (cards, detail))
    return [
        ReturnedGroup(
            one.stage,
            one.reason,
            one.field,
            sentences.get((one.stage, one.reason, one.field), (0, ""))[1],
            one.count,
            [
                line
                for tray, entries in zip(one.trays, one.entries, strict=True)
                for own, layout in _as_they_came(ending, tray)
                for line in _lines(ending, own, entries, layout)
            ],
            numbers_said(one.numbers, ending.decks),
            len(one.numbers),
        )
        for one in groups.picked()
    ]


def _as_they_came(ending: Ending, tray: Tray) -> Iterator[tuple[Tray, Layout | None]]:
    """Yield cards as the medium of their deck has them, with the layout by which they are read."""
    decks = ending.plan.decks
    if decks is None:
        yield tray, _layout(ending)
        return
    for part in ending.decks:
        inside = (tray.cards >= part.first) & (tray.cards < part.first + part.cards)
        if inside.any():
            own = decks.own_cards(tray.take(np.flatnonzero(inside)), part)
            yield own, ending.plan.layout_of(part)
    added = np.flatnonzero(tray.cards >= ending.cards + 1)
    if added.size:
        yield tray.take(added), None


def _lines(
    ending: Ending, first: Tray, fatal: pl.DataFrame, layout: Layout | None
) -> list[CardLine]:
    marks: dict[int, list[Mark]] = {}
    for row in fatal.iter_rows(named=True):
        exact = row["column"]
        mark = (exact or row["first"] or 0, exact or row["last"] or 0, fault_sentence(row))
        marks.setdefault(row["card"], []).append(mark)
    fields = fields_of(layout, first.text) if layout else [()] * len(first)
    many = len(ending.decks) > 1
    plan = ending.plan
    slipped = set(out_of_place(fatal)) if plan.personal else set()
    spans = columns_as_read(plan.steps)
    media = [plan.medium_of(deck) for deck in ending.decks]
    names = original_names(ending.decks, media, first.cards.tolist())
    lines = []
    for place, card in enumerate(first.cards.tolist()):
        text = first.text[place]
        holes = None if first.holes is None else first.holes[place]
        behind = np.zeros(len(text), np.bool_)
        if plan.personal:
            columns = None if card in slipped or not marks.get(card) else spans
            text, holes, behind = masked(text, holes, columns)
        deck = next((d for d in ending.decks if d.first <= card < d.first + d.cards), None)
        is_card = len(text) == COLUMNS
        lines.append(
            CardLine(
                card,
                patterns_of(text, holes, first.code) if is_card else None,
                over(printed_of(text, first.code), behind),
                sorted(marks.get(card, []), key=lambda mark: mark[:2]),
                deck.name if many and deck else "",
                card - deck.first + 1 if many and deck else 0,
                fields[place],
                (KEPT_BACK_NOTE,) if plan.personal else (),
                picture=b"" if plan.personal else ending.pictures.get(card, b""),
                original=names[place],
            ),
        )
    return lines


def _layout(ending: Ending) -> Layout | None:
    """Return the first layout of the chain, by which cards are read as they came."""
    layouts = (getattr(step.stage, "layout", None) for step in ending.plan.steps)
    return next((layout for layout in layouts if isinstance(layout, Layout)), None)


def index_of(ending: Ending, control: Mapping[str, Any]) -> dict[str, Any]:
    """Return the content of the journal's index."""
    return {
        "stages": [_stage_entry(ending, step.number) for step in ending.plan.steps],
        "decks": control["decks"],
        "passes": [
            _pass_entry(ending, todo, number) for number, todo in enumerate(ending.plan.passes)
        ],
        "outputs": _outputs(ending),
        "added_base": added_base(ending.decks),
    }


def _stage_entry(ending: Ending, number: int) -> dict[str, Any]:
    step = ending.plan.steps[number - 1]
    entry: dict[str, Any] = {
        "number": number,
        "kind": step.kind,
        "title": step.stage.config.title,
        "origin": step.origin,
    }
    layout = getattr(step.stage, "layout", None) or step.before.layout
    if layout is not None:
        entry["columns"] = {
            f"{first}_{last}": name
            for name in reversed(layout.field_names)  # a field has the last word over its flag
            for first, last in layout.columns(name)
        }
    return entry


def _pass_entry(ending: Ending, todo: Pass, number: int) -> dict[str, Any]:
    tasks = []
    place = 0
    for result in ending.results[number]:
        tasks.append(
            {
                "name": f"p{todo.number}-{result.task:05}",
                "first_card": result.first_card,
                "arrived": result.arrived,
                "left": result.left,
                "place": place,
            },
        )
        place += result.arrived
    return {
        "number": todo.number,
        "stages": [step.number for step in todo.steps],
        "sort": todo.sort.number if todo.sort else 0,
        "resumes": todo.resumes,
        "tasks": tasks,
    }


def _outputs(ending: Ending) -> list[dict[str, Any]]:
    found = []
    for number, todo in enumerate(ending.plan.passes):
        for step in todo.steps:
            for name, head in heads_of(step.stage).items():
                rows = [
                    sum(part.rows for part in result.parts if part.file == name)
                    for result in ending.results[number]
                ]
                found.append(
                    {
                        "file": name,
                        "pass": todo.number,
                        "stage": step.number,
                        "head_lines": head.count(b"\n"),
                        "rows": rows,
                        "of_no_card": ending.outputs[name][0] - sum(rows),
                    },
                )
    return found
