"""The end of a run: returned decks, reasons, accounts, sheet, log, manifest."""

from __future__ import annotations

import hashlib
import io
import json
import platform
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.engine.accounts import Count
from deckwright.engine.ending import Ending
from deckwright.engine.plan import Plan, Step
from deckwright.engine.sheetdata import index_of, sheet_data
from deckwright.engine.spill import Gatherer
from deckwright.engine.tasks import DeckPart, Result, bench_folder
from deckwright.errors import AccountError
from deckwright.journal.index import write_index
from deckwright.journal.logfile import write_log
from deckwright.journal.tables import ENTRY_SCHEMA
from deckwright.layout.tray import Tray
from deckwright.plugin.media import Medium
from deckwright.plugin.stages import Bench, Closing, SinkStage
from deckwright.report.sheet import control_sheet

LIBRARIES = ("numpy", "polars", "pydantic", "pluggy", "structlog")
RETURNED, ASIDE = 1, 2
REASONS = "reasons.csv"


def close_run(ending: Ending) -> dict[str, object]:
    """Write everything that is not a delivery; return the content of control.json.

    Raises:
        AccountError: the counts of a stage do not balance, or stages do not join.
    """
    _check_equations(ending)
    _write_configs(ending)
    _finish_stages(ending)
    gone = _write_gone(ending)
    entries = _entries(ending)
    _write_reasons(ending, entries, gone)
    control = _control(ending)
    _write_json(ending.run / "control.json", control)
    write_index(ending.run, **index_of(ending, control))
    sheet = control_sheet(sheet_data(ending, control, entries, gone[0], versions(ending.plan)))
    (ending.run / "control.html").write_text(sheet, encoding="utf-8", newline="\n")
    write_log(ending.run, control, record_log=_wants_record_log(ending))
    _write_manifest(ending, control)
    return control


def _wants_record_log(ending: Ending) -> bool:
    wanted = ending.plan.spec.record_log
    return ending.cards <= 100_000 if wanted is None else wanted  # noqa: PLR2004 # the documented default


def _check_equations(ending: Ending) -> None:
    arriving = ending.cards
    for step in ending.plan.steps:
        count = ending.counts.setdefault(step.number, Count())
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
    results = ending.all_results()

    def write(name: str, data: bytes) -> None:
        ending.beside[name] = data
        (ending.run / "out" / name).write_bytes(data)

    for step in ending.plan.steps:
        met = _met(step, results)
        closing = Closing(
            Bench(bench_folder(ending.work, step.number), ending.plan.memory),
            ending.counts[step.number].tallies,
            met,
            write,
            ending.cards,
        )
        ending.facts[step.number] = step.stage.finish(closing)
        if isinstance(step.stage, SinkStage):
            for name, data in step.stage.beside().items():
                write(name, data)


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


def _write_gone(ending: Ending) -> tuple[Tray | None, Tray | None]:
    """Write returned and set-aside cards as decks that can be dropped again, in card order."""
    code = ending.plan.source.medium.code
    blocks = [block for result in ending.all_results() for block in result.gone]
    records = {c: r for result in ending.all_results() for c, r in result.records.items()}
    if not blocks:
        return None, None
    with Gatherer(code, ending.plan.configs.layout) as gatherer:
        gone = gatherer.whole_of(blocks)
    fates = gone.values("fate").data
    trays = []
    for fate, folder in ((RETURNED, "returned"), (ASIDE, "set-aside")):
        mine = np.flatnonzero(fates == fate)
        tray = gone.take(mine[np.argsort(gone.cards[mine], kind="stable")])
        trays.append(tray if len(tray) else None)
        for deck, name in zip(ending.decks, deck_files(ending.decks), strict=True):
            inside = (tray.cards >= deck.first) & (tray.cards < deck.first + deck.cards)
            part = tray.take(np.flatnonzero(inside))
            if len(part):
                path = ending.run / folder / name
                medium = ending.plan.source.medium.like(Path(deck.path))
                path.write_bytes(_encoded(medium, part, records))
    return trays[0], trays[1]


def deck_files(decks: list[DeckPart]) -> list[str]:
    """Return a file name for what comes back of each deck; no two are alike."""
    taken = {REASONS}
    names = []
    for deck in decks:
        name, number = deck.name, 1
        while name in taken:
            number += 1
            name = f"{number}-{deck.name}"
        taken.add(name)
        names.append(name)
    return names


def _encoded(medium: Medium[Any], tray: Tray, records: Mapping[int, bytes]) -> bytes:
    odd = (
        [place for place, card in enumerate(tray.cards.tolist()) if card in records]
        if records
        else []
    )
    pieces = []
    start = 0
    for place in [*odd, len(tray)]:
        part = tray.take(np.arange(start, place))
        if len(part):
            pieces.append(medium.encode(part.text, part.holes, part.lengths, part.code.alphabet))
        if place < len(tray):
            pieces.append(medium.record(records[int(tray.cards[place])]))
        start = place + 1
    return b"".join(pieces)


def _entries(ending: Ending) -> pl.DataFrame:
    files = sorted((ending.run / "journal").glob("*.entries.parquet"))
    if not files:
        return pl.DataFrame(schema=ENTRY_SCHEMA)
    frame = pl.read_parquet(files)
    return frame.sort("card", "stage", "field", "reason", maintain_order=True)


def _write_reasons(
    ending: Ending, entries: pl.DataFrame, gone: tuple[Tray | None, Tray | None]
) -> None:
    named = _with_decks(entries, ending.decks)
    returned = gone[0]
    fatal = named.filter(pl.col("severity") == "fatal")
    if returned is not None:
        places = _places(returned.cards, ending.decks)
        fatal = fatal.join(places, on="card", how="left", maintain_order="left")
        columns = ["card", "deck", "card_in_deck", "place_in_returned_deck"]
        _csv(fatal.select(*columns, *_REASON_COLUMNS), ending.run / "returned" / REASONS)
    for severity, name in (("query", "queries.csv"), ("note", "notes.csv")):
        listed = named.filter(pl.col("severity") == severity)
        if listed.height:
            _csv(listed.select("card", "deck", "card_in_deck", *_REASON_COLUMNS), ending.run / name)


_REASON_COLUMNS = ("stage", "reason", "field", "first", "last", "column", "found", "detail")


def _with_decks(entries: pl.DataFrame, decks: list[DeckPart]) -> pl.DataFrame:
    firsts = pl.DataFrame(
        {
            "first_card": pl.Series([deck.first for deck in decks], dtype=pl.Int64),
            "deck": deck_files(decks),
        },
    )
    joined = entries.join_asof(firsts, left_on="card", right_on="first_card")
    return joined.with_columns((pl.col("card") - pl.col("first_card") + 1).alias("card_in_deck"))


def _places(cards: NDArray[np.int64], decks: list[DeckPart]) -> pl.DataFrame:
    firsts = np.array([deck.first for deck in decks])
    deck = np.searchsorted(firsts, cards, side="right")
    starts = np.searchsorted(deck, deck)
    place = np.arange(len(cards)) - starts + 1
    return pl.DataFrame({"card": cards, "place_in_returned_deck": place})


def _csv(frame: pl.DataFrame, path: Path) -> None:
    buffer = io.BytesIO()
    frame.write_csv(buffer, line_terminator="\r\n")
    path.write_bytes(buffer.getvalue())


def _control(ending: Ending) -> dict[str, object]:
    reasons: dict[tuple[int, str, str, str, str], int] = {}
    for result in ending.all_results():
        for key, amount in result.reasons.items():
            reasons[key] = reasons.get(key, 0) + amount
    stages = []
    for step in ending.plan.steps:
        count = ending.counts[step.number]
        stages.append(
            {
                "number": step.number,
                "kind": step.kind,
                "title": step.stage.config.title,
                **count.as_dict(),
                "queries": count.queries,
                "notes": count.notes,
                "facts": _facts(ending.facts[step.number]),
            },
        )
    left = ending.counts[ending.plan.steps[-1].number].left
    returned = sum(count.returned for count in ending.counts.values())
    aside = sum(count.set_aside for count in ending.counts.values())
    added = sum(count.added for count in ending.counts.values())
    return {
        "title": ending.plan.spec.title,
        "job": ending.plan.name,
        "decks": [
            {
                "name": d.name,
                "cards": d.cards,
                "first_card": d.first,
                "size": Path(d.path).stat().st_size,
                "sha256": ending.hashes[d.path],
            }
            for d in ending.decks
        ],
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
            for (s, v, r, f, d), n in sorted(reasons.items())
        ],
        "outputs": [
            {"file": name, "rows": rows, "size": size, "sha256": digest}
            for name, (rows, size, digest) in ending.outputs.items()
        ],
    }


def _facts(facts: Mapping[str, int | str]) -> dict[str, int | str]:
    return {
        name: f"{value:016x}" if name.startswith("digest_") and isinstance(value, int) else value
        for name, value in sorted(facts.items())
    }


def _write_json(path: Path, content: object) -> None:
    text = json.dumps(content, indent=2, ensure_ascii=False) + "\n"
    path.write_text(text, encoding="utf-8", newline="\n")


def _write_manifest(ending: Ending, control: Mapping[str, object]) -> None:
    known = {f"out/{name}": (size, digest) for name, (_, size, digest) in ending.outputs.items()}
    files = []
    for path in sorted(p for p in ending.run.rglob("*") if p.is_file()):
        name = path.relative_to(ending.run).as_posix()
        if name in known:
            size, digest = known[name]
        else:
            data = path.read_bytes()
            size, digest = len(data), hashlib.sha256(data).hexdigest()
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
        "versions": versions(plan),
        "files": files,
    }
    _write_json(ending.run / "manifest.json", manifest)


def versions(plan: Plan) -> dict[str, str]:
    """Return the versions of everything that had a part in the run."""
    found = {"deckwright": version("deckwright"), "python": platform.python_version()}
    found.update({name: version(name) for name in LIBRARIES})
    for step in plan.steps:
        found[f"stage {step.kind}"] = step.origin
    return found
