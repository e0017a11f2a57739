"""Deliveries at the end of a run, and those that are carried on: next masters and other files."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict

from deckwright.engine.closing.ending import Ending
from deckwright.engine.passes.parts import Joiner
from deckwright.engine.planning.plan import Plan, Step
from deckwright.errors import CarriedFileError, OutputError
from deckwright.plugin.values import Closing, Part


def declared(plan: Plan) -> dict[str, str]:
    """Return the deliveries that the stages of a job carry on, each with what it is the next of."""
    found: dict[str, str] = {}
    for step in plan.steps:
        found |= _carried(step)
    return found


def _carried(step: Step) -> dict[str, str]:
    return step.stage.next_masters() | step.stage.carried_files()


def deliver(ending: Ending, step: Step, parts: Iterable[Part]) -> None:
    """Write deliveries that a stage makes after the last card.

    Raises:
        OutputError: a file of that name is there already, or it is no name of a file.
    """
    joiners: dict[str, Joiner] = {}
    try:
        for part in parts:
            if part.file not in joiners:
                joiners[part.file] = _begin(ending, step, part.file)
            joiners[part.file].append(part)
    finally:
        for name, joiner in joiners.items():
            ending.outputs[name] = (joiner.rows, joiner.size, joiner.close())
            ending.brought[name] = step.number


def _begin(ending: Ending, step: Step, name: str) -> Joiner:
    if not name or "/" in name or name in {".", ".."}:
        raise OutputError(name, f"cannot be the name of a delivery ({step.label})")
    try:
        return Joiner(ending.run / "out" / name, b"")
    except FileExistsError as error:
        what = f"is delivered twice; give the file of {step.label} another name"
        raise OutputError(name, what) from error


def enter_next_masters(ending: Ending, step: Step, closing: Closing) -> None:
    """Take the account of each delivery that a stage declares a next master, and check it.

    Raises:
        CarriedFileError: it does not add up, or is not what was read and delivered.
    """
    for file, master in step.stage.next_masters().items():
        account = step.stage.master_account(file, closing)
        figures = asdict(account)
        delivered, records = ending.outputs.get(file), _read(ending, master)
        what = ""
        if delivered is None:
            what = "it was not delivered"
        elif master not in ending.plan.files:
            what = f"the job's [files] name no master {master!r}"
        elif not account.balances:
            before, added, deleted, after = figures.values()
            what = (
                f"{before:,} records before + {added:,} added - {deleted:,} deleted"
                f" are not {after:,} after"
            )
        elif account.after != delivered[0]:
            what = f"{delivered[0]:,} records were delivered, its account says {account.after:,}"
        elif records is not None and records != account.before:
            what = f"{master} has {records:,} records, its account says {account.before:,} before"
        if what:
            raise CarriedFileError(step.label, step.origin, file, what)
        entry = {"stage": step.number, "file": file, "master": master, **figures}
        ending.next_masters.append(entry if records is None else {**entry, "read": records})
        ending.facts[step.number] |= {f"{master}: records {name}": n for name, n in figures.items()}


def enter_carried(ending: Ending, step: Step) -> None:
    """Enter what a stage carries on: which state of it the run has read, and which it made.

    Raises:
        CarriedFileError: it was not delivered, it has two successors, or it cannot be one.
    """
    for file, name in _carried(step).items():
        delivered, path = ending.outputs.get(file), ending.plan.files.get(name)
        twice = [each["file"] for each in ending.carried if each["name"] == name]
        what = ""
        if delivered is None:
            what = "it was not delivered"
        elif path is None:
            what = f"the job's [files] name no file {name!r}"
        elif twice:
            what = f"{twice[0]} is the next {name!r} already"
        elif file not in step.stage.next_masters() and _read(ending, name) is not None:
            what = f"cards meet {name!r} as a master; declare it in next_masters"
        if delivered is None or path is None or what:
            raise CarriedFileError(step.label, step.origin, file, what)
        records, _, made = delivered
        read = ending.hashes.get(str(path)) or ending.hashes[str(path.resolve())]
        ending.carried.append(
            {"stage": step.number, "name": name, "file": file, "records": records,
             "read": read, "made": made}
        )  # fmt: skip


def _read(ending: Ending, master: str) -> int | None:
    """Return the records of a master as stages that meet cards with it count them; None: none."""
    decks = [deck.name for deck in ending.plan.named if deck.file == master]
    if decks:
        return sum(part.cards for part in ending.decks if part.of in decks)
    found = (step.stage.masters().get(master) for step in ending.plan.steps)
    return next((each for each in found if each is not None), None)
