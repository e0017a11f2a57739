"""Finding decks: by name, number or run, and in lists by state, job and day. Reading only."""

from __future__ import annotations

import csv
import os
from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePath
from typing import Any

from deckwright.errors import DeckwrightError, RestartError
from deckwright.jobs.service import ServiceSpec
from deckwright.service.operate.archive import archived
from deckwright.service.operate.status import UNKNOWN, places_of_runs
from deckwright.service.outward.state import State, read_state
from deckwright.service.runs.ends import SERVICE_ENDED, WHY_HELD
from deckwright.service.store.holds import JobHolds, held_because
from deckwright.service.store.ledger import Ledger, LedgerError
from deckwright.service.store.tables import Row
from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.patterns import matcher
from deckwright.service.system.places import RUN_NAME, Workspace, shown

STATES = ("inbox", "waiting", "running", "held", "done", "returned", "archived", "gone")
"""Where a deck may be; `archived`: in a sealed archive; `gone`: ended, and nowhere here."""

TIDIED = "tidied.csv"
"""The list of removed runs."""

_WORDS = {"work": "waiting", "hold": "held", "done": "done", "returned": "returned"}
_ALL = ("waiting", "running", "hold", "done", "returned")
_FEWEST = 4
_LISTED = 10


@dataclass(frozen=True, slots=True)
class Entry:
    """A deck or a run of it. Times are ISO 8601 in UTC; files are below the workspace."""

    state: str
    job: str
    deck: str
    run: str = ""
    why: str = ""
    taken_at: str = ""
    ended_at: str = ""
    code: str = ""
    cards: int = 0
    cards_returned: int = 0
    follows: str = ""
    repaired_by: str = ""
    requeued_as: str = ""
    files: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return the entry for JSON."""
        return asdict(self)


class UnclearError(DeckwrightError):
    """A name fits no run, or several; lists them."""

    def __init__(self, text: str, fitting: list[Entry]) -> None:
        name = repr(shown(text))
        if not fitting:
            super().__init__(f"there is no run, deck or job {name}; see `deckwright status`")
            return
        lines = [f"{name} fits {len(fitting):,} runs; name one of them:"]
        shown_ones = fitting[:_LISTED]
        lines += [f"  {each.run}  {each.state}  {each.job}  {each.deck}" for each in shown_ones]
        if len(fitting) > _LISTED:
            lines.append(f"  ... and {len(fitting) - _LISTED:,} more")
        super().__init__("\n".join(lines))


def ledger_of(workspace: Workspace) -> Ledger:
    """Return the ledger for reading.

    Raises:
        RestartError: there is none, or it cannot be read.
    """
    if not workspace.ledger.exists():
        msg = f"{workspace.ledger} is not there yet; start the service once: {_start(workspace)}"
        raise RestartError(msg)
    try:
        return Ledger.reader(workspace.ledger)
    except LedgerError as error:
        msg = f"{workspace.ledger} cannot be read ({error}); start the service once to rebuild it"
        raise RestartError(msg) from error


def _start(workspace: Workspace) -> str:
    return f"deckwright watch {workspace.root}"


def listed(
    workspace: Workspace, *, states: Collection[str] = (), job: str = "", day: str = ""
) -> list[Entry]:
    """Return runs in the order in which they were taken.

    Args:
        workspace: where.
        states: of `STATES` but `inbox`; none = all.
        job: of this job only.
        day: taken or ended on this day in UTC, such as `2031-05-06`.

    Raises:
        RestartError: the ledger cannot be read.
    """
    return [
        each
        for each in _entries(workspace)
        if (not states or each.state in states)
        and (not job or each.job == job)
        and (not day or each.taken_at.startswith(day) or each.ended_at.startswith(day))
    ]


def find(workspace: Workspace, spec: ServiceSpec, text: str) -> list[Entry]:
    """Return every deck of a name or number, or whose run begins so; none where none does.

    Whole names come first: only where no deck is called so, names that hold the text are taken.

    Raises:
        RestartError: the ledger cannot be read.
    """
    entries = [*_in_inbox(workspace, spec), *_entries(workspace)]
    whole = [each for each in entries if _is_called(each, text)]
    return whole or [each for each in entries if text.casefold() in each.deck.casefold()]


def resolve(workspace: Workspace, text: str, states: Collection[str]) -> str:
    """Return the one run that a deck's name, or the beginning of a run's name, stands for.

    Args:
        workspace: where.
        text: the whole name of a run, also of one that is not there; or a name; or a beginning.
        states: what the run must be.

    Raises:
        UnclearError: none fits, or several do.
        RestartError: the ledger cannot be read.
    """
    if RUN_NAME.match(text):
        return text
    fitting = [each for each in _entries(workspace) if _is_called(each, text)]
    wanted = [each for each in fitting if each.state in states] or fitting
    if len(wanted) != 1:
        raise UnclearError(text, wanted)
    return wanted[0].run


def _is_called(entry: Entry, text: str) -> bool:
    begins = len(text) >= _FEWEST and entry.run.startswith(text)
    return begins or text in {entry.deck, PurePath(entry.deck).stem}


def _in_inbox(workspace: Workspace, spec: ServiceSpec) -> Iterator[Entry]:
    told = read_state(workspace)
    jobs = {folder: job for job, folder in told.jobs.items()} if told else {}
    ignored = matcher(tuple(spec.ignore))
    for folder in sorted(names_in(workspace.inbox)):
        place = workspace.inbox / folder
        for name in sorted(names_in(place)) if place.is_dir() else ():
            if not ignored.match(name) and not os.path.isdir(place / name):  # noqa: PTH112 # any name
                where = f"inbox/{shown(folder)}/{shown(name)}"
                why = "lies in the inbox and was not taken yet"
                yield Entry("inbox", jobs.get(folder, folder), shown(name), why=why, files=[where])


def _entries(workspace: Workspace) -> Iterator[Entry]:
    places = places_of_runs(workspace)
    told = read_state(workspace)
    held = JobHolds(workspace, Fs()).all()
    removed = _removed(workspace)
    packed = archived(workspace)
    ledger = ledger_of(workspace)
    try:
        rows = ledger.rows(*_ALL)
    finally:
        ledger.close()
    for run in sorted(places.keys() - {row.run for row in rows}):
        if places[run] != "work":  # one that was taken just now is entered in a moment
            where = [f"{places[run]}/{run}"]
            yield Entry(_WORDS[places[run]], "", "", run, UNKNOWN, files=where)
    repaired = {row.follows: row.run for row in rows if row.follows}
    requeued = {row.again: row.run for row in rows if row.again}
    for row in rows:
        state = _state(row, places, told)
        pack = packed.get(row.run) if state == "gone" else None
        state = "archived" if pack else state
        yield Entry(
            state,
            row.job,
            shown(row.name),
            row.run,
            _why(row, state, told, held, removed),
            row.taken_at,
            row.ended_at,
            row.code,
            row.cards,
            row.cards_returned,
            row.follows or "",
            repaired.get(row.run, ""),
            requeued.get(row.run, ""),
            _files(row, places.get(row.run, ""), pack),
        )


def _state(row: Row, places: dict[str, str], told: State | None) -> str:
    place = places.get(row.run)
    if place == "work" and told and any(each.run == row.run for each in told.running):
        return "running"
    return _WORDS[place] if place else "gone"


def _why(
    row: Row, state: str, told: State | None, held: dict[str, str], removed: dict[str, str]
) -> str:
    if state == "done":
        back = f", {row.cards_returned:,} of them came back" if row.cards_returned else ""
        return f"{row.cards:,} cards{back}"
    if state in {"gone", "archived"}:
        by = removed.get(row.run)
        what = "accepted by" if state == "archived" else "removed; accepted by"
        return f"{what} {by}" if by else "its folder was carried away"
    if state == "waiting":
        later = told.retries.get(row.run, "") if told else ""
        return held_because(shown(held[row.job])) if row.job in held else later
    if state == "held" and row.code == SERVICE_ENDED:
        return WHY_HELD
    return {"held": "held by an operator", "returned": row.code}.get(state, "")


def _files(row: Row, place: str, pack: Path | None) -> list[str]:
    if pack:
        return [f"{pack.parent.name}/{pack.name}/{row.run}"]
    home = f"{place}/{row.run}"
    back = ["out/returned"] if row.cards_returned else []
    inner = {
        "done": ["out/control.html", "out/out", *back],
        "returned": ["reasons.txt", "deck"],
        "work": ["deck"],
        "hold": ["deck"],
    }
    return [f"{home}/{name}" for name in inner.get(place, [])]


def _removed(workspace: Workspace) -> dict[str, str]:
    """Return who accepted each removed run."""
    try:
        with (workspace.root / TIDIED).open(newline="", encoding="utf-8") as file:
            return {line["run"]: shown(line["accepted_by"] or "") for line in csv.DictReader(file)}
    except (OSError, KeyError, TypeError, ValueError, csv.Error):
        return {}
