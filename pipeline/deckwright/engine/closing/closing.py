"""The end of a run: returned decks, reasons, accounts, sheet, log, manifest."""

from __future__ import annotations

import os
import platform
from collections.abc import Mapping
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.engine.closing.asidecards import set_aside
from deckwright.engine.closing.deckaccounts import deck_accounts, named_decks
from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.folder import plugin_that_writes
from deckwright.engine.closing.lastwords import (
    add_fault,
    add_rows,
    table_entries,
    table_schemas,
    write_rows,
)
from deckwright.engine.closing.nextmasters import deliver, enter_carried, enter_next_masters
from deckwright.engine.closing.outfiles import complete, deliveries, files_below, write_beside
from deckwright.engine.closing.reasoncounts import reason_counts
from deckwright.engine.closing.returning import write_returned
from deckwright.engine.closing.sheetdata import index_of, returned_groups, sheet_data
from deckwright.engine.passes.accounts import Count
from deckwright.engine.passes.deckfile import facts_of
from deckwright.engine.passes.parts import sha256_of
from deckwright.engine.passes.tasks import Result, bench_folder
from deckwright.engine.planning.plan import Plan, Step
from deckwright.errors import AccountError
from deckwright.journal.index import write_index
from deckwright.journal.logfile import write_log
from deckwright.journal.reader import Journal
from deckwright.jsontext import indented
from deckwright.plugin.distributions import version_of
from deckwright.plugin.stages import FinishStage, SinkStage
from deckwright.plugin.values import Bench, Closing, DeckPart
from deckwright.report.pages.returned import returned_page
from deckwright.report.pages.sheet import control_sheet
from deckwright.report.pages.todo import reading_report

LIBRARIES = ("numpy", "polars", "pydantic", "pluggy", "structlog")


def close_run(ending: Ending) -> dict[str, object]:
    """Write everything that is not a delivery; return the content of control.json.

    Raises:
        AccountError: the counts of a stage do not balance, or stages do not join.
    """
    _check_equations(ending)
    _write_configs(ending)
    _finish_stages(ending)
    aside = set_aside(ending)
    for one in aside:
        ending.facts[one.stage][one.fact] = one.count
    back = write_returned(ending)
    control = _control(ending)
    _write_json(ending.run / "control.json", control)
    write_index(ending.run, **index_of(ending, control))
    groups = returned_groups(ending, back.groups)
    shown = sheet_data(ending, control, groups, aside, back.places.places())
    _write_text(
        ending.run / "control.html", control_sheet(replace(shown, versions=versions(ending.plan)))
    )
    if shown.returned_page:
        reading = reading_report(shown.files)
        page = returned_page(shown.title, groups, shown.returned, reading)
        _write_text(ending.run / shown.returned_page, page)
    journal = None
    if _wants_record_log(ending):
        journal = Journal(ending.run, ending.tables())
    write_log(ending.run, control, journal)
    _write_manifest(ending, control)
    return control


def _wants_record_log(ending: Ending) -> bool:
    wanted = ending.plan.spec.record_log
    return ending.cards <= 100_000 if wanted is None else wanted  # noqa: PLR2004 # the documented default


def _check_equations(ending: Ending) -> None:
    arriving = ending.cards
    for step in ending.plan.steps:
        count = ending.counts.setdefault(step.number, Count())
        if isinstance(step.stage, FinishStage):  # cards pass it by
            count.arrived = count.left = arriving
        if not count.balances or count.arrived != arriving:
            what = f"does not balance: {dict(count.as_dict())}, {arriving} came to it"
            raise AccountError(step.label, step.origin, what, [])
        arriving = count.left


def _write_configs(ending: Ending) -> None:
    for name, data in ending.plan.configs.used.items():
        path = ending.run / "config" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def _finish_stages(ending: Ending) -> None:
    """Let all stages finish in the order of the chain, and after them those that only finish."""
    results = ending.all_results()
    steps = sorted(ending.plan.steps, key=lambda step: isinstance(step.stage, FinishStage))
    for step in steps:
        last = isinstance(step.stage, FinishStage)
        bench = Bench(bench_folder(ending.work, step.number), ending.plan.memory)
        complete(ending, step, bench)
        closing = Closing(
            bench,
            ending.counts[step.number].tallies,
            _met(step, results),
            partial(write_beside, ending, step),
            ending.cards,
            ending.decks,
            partial(deliver, ending, step),
            ending.pictures.__setitem__,
            deliveries(ending) if last else (),
            rows=partial(add_rows, ending, step),
            fault=partial(add_fault, ending, step),
        )
        with plugin_that_writes():
            ending.facts[step.number] = step.stage.finish(closing)
        write_rows(ending)
        beside = step.stage.beside() if isinstance(step.stage, SinkStage) else {}
        for name, data in (beside | table_schemas(step)).items():
            write_beside(ending, step, name, [data])
        enter_next_masters(ending, step, closing)
        enter_carried(ending, step)


def _met(step: Step, results: list[Result]) -> dict[str, NDArray[np.bool_]]:
    found: dict[str, NDArray[np.bool_]] = {}
    sizes = step.stage.masters()
    for result in results:
        for (stage, master), records in result.met.items():
            if stage == step.number:
                flags = found.setdefault(master, np.zeros(sizes.get(master, 0) + 1, np.bool_))
                flags[records] = True
    for master, size in sizes.items():
        found.setdefault(master, np.zeros(size + 1, np.bool_))
    return found


def _control(ending: Ending) -> dict[str, object]:
    stages = []
    for step in ending.plan.steps:
        count = ending.counts[step.number]
        by_deck = deck_accounts(ending, step.number)
        stages.append(
            {
                "number": step.number,
                "kind": step.kind,
                "title": step.stage.config.title,
                **count.as_dict(),
                "queries": count.queries,
                "notes": count.notes,
                "facts": _facts(ending.facts[step.number]),
                **({"decks": by_deck} if by_deck else {}),
            },
        )
    left = ending.counts[ending.plan.steps[-1].number].left
    returned = sum(count.returned for count in ending.counts.values())
    aside = sum(count.set_aside for count in ending.counts.values())
    added = sum(count.added for count in ending.counts.values())
    return {
        "title": ending.plan.spec.title,
        "job": ending.plan.name,
        "decks": [_deck_facts(ending, deck) for deck in ending.decks],
        **({"named_decks": named_decks(ending)} if ending.plan.named else {}),
        "stages": stages,
        "equation": {
            "in": ending.cards,
            "added": added,
            "out": left,
            "returned": returned,
            "set_aside": aside,
            "holds": ending.cards + added == left + returned + aside,
        },
        "reasons": [
            {"stage": s, "severity": v, "reason": r, "field": f, "detail": d, "cards": n}
            for (s, v, r, f, d), n in reason_counts(ending.reasons).items()
        ],
        "outputs": [
            {"file": name, "rows": rows, "size": size, "sha256": digest}
            for name, (rows, size, digest) in ending.outputs.items()
        ],
        "tables": table_entries(ending),
        "run_faults": ending.run_faults,
        "next_masters": ending.next_masters,
        "carried": ending.carried,
    }


def _deck_facts(ending: Ending, part: DeckPart) -> dict[str, object]:
    """Return what is said of a deck; `from` names the job's file that it lies in, if it does."""
    facts = facts_of(part, ending.hashes[part.path])
    files = ending.plan.files
    for deck in ending.plan.named:
        if deck.name == part.of and deck.file and str(files[deck.file].resolve()) == part.path:
            facts["from"] = deck.file
    return facts


def _facts(facts: Mapping[str, int | str]) -> dict[str, int | str]:
    return {
        name: f"{value:016x}" if name.startswith("digest_") and isinstance(value, int) else value
        for name, value in sorted(facts.items())
    }


def _write_json(path: Path, content: object) -> None:
    _write_text(path, indented(content) + "\n")


def _write_text(path: Path, text: str) -> None:
    path.write_bytes(text.encode())


def _write_manifest(ending: Ending, control: Mapping[str, object]) -> None:
    known = {f"out/{name}": facts for name, facts in ending.hashed.items()}
    known |= {f"out/{name}": (size, digest) for name, (_, size, digest) in ending.outputs.items()}
    files = []
    for parts, path in sorted(files_below(ending.run)):
        name = "/".join(parts)
        size, digest = known.get(name) or (os.stat(path).st_size, sha256_of(path))  # noqa: PTH116 # as it came
        files.append({"name": name, "size": size, "sha256": digest})
    plan = ending.plan
    manifest = {
        "manifest": 1,
        "job": plan.name,
        "decks": control["decks"],
        "files_used": {
            name: {"name": path.name, "sha256": ending.hashes[str(path)]}
            for name, path in sorted(plan.files.items())
            if str(path) in ending.hashes
        },
        "counts": control["equation"],
        **({"named_decks": control["named_decks"]} if plan.named else {}),
        "next_masters": control["next_masters"],
        "carried": control["carried"],
        "versions": versions(plan),
        "files": files,
    }
    _write_json(ending.run / "manifest.json", manifest)


def versions(plan: Plan) -> dict[str, str]:
    """Return the versions of everything that had a part in the run."""
    forms = {f"form {kind}": origin for kind, origin in plan.registry.loaded("forms").items()}
    stages = {f"stage {step.kind}": step.origin for step in plan.steps}
    return _installed() | stages | dict(sorted(forms.items()))


@cache
def _installed() -> dict[str, str]:
    """Return the versions of the program and its libraries; a process does not change them."""
    own = {"deckwright": version_of("deckwright"), "python": platform.python_version()}
    return own | {name: version_of(name) for name in LIBRARIES}
