"""Is every byte of ended runs, masters and kept configs still what it was? Reading only."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from deckwright.errors import DeckwrightError
from deckwright.service.operate.archive import Archive, archives, difference
from deckwright.service.store.checking import files_below
from deckwright.service.store.generations import CURRENT, GENERATIONS, RESTORED, Restored
from deckwright.service.store.records import (
    Acknowledged,
    BadRecordError,
    Claim,
    LaneStep,
    Manifest,
    Reasons,
    load,
)
from deckwright.service.store.spool import WORDS
from deckwright.service.system.fs import Fs, digest_of_file, names_in
from deckwright.service.system.places import (
    ACKNOWLEDGED,
    CLAIM,
    DECK,
    MANIFEST,
    MARKER,
    REASONS,
    RUN,
    RUN_NAME,
    Workspace,
    foreign_in,
    runs_in,
    shown,
)


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that is not as it was left. place: path below the workspace."""

    place: str
    what: str


class NoSuchRunError(DeckwrightError):
    """No held or ended run of the workspace is called so."""

    exit_code = 2

    def __init__(self, run: str) -> None:
        super().__init__(
            f"no held, done or returned run is called {shown(run)!r}; `deckwright find` looks for"
            " a deck by its name"
        )


def verify(workspace: Workspace, run: str = "") -> Iterator[tuple[str, list[Difference]]]:
    """Yield the place of every ended run, kept config and master with what differs there.

    Args:
        workspace: where.
        run: look at this run only.

    Raises:
        NoSuchRunError: no held or ended run is called so.
    """
    if run:
        state = next((each for each in _CHECKS if (workspace.root / each / run).is_dir()), "")
        if not RUN_NAME.match(run) or not state:
            raise NoSuchRunError(run)
        yield f"{state}/{run}", check_run(workspace, state, run)
        return
    for state in _CHECKS:
        for name in runs_in(workspace.root / state):
            yield f"{state}/{name}", check_run(workspace, state, name)
    for place in foreign_in(workspace):
        yield place, [Difference(place, "is not the folder of a run; it does not belong there")]
    yield from _configs(workspace)
    packs = list(archives(workspace))
    for path, record in packs:
        place = f"{path.parent.name}/{path.name}"
        what = difference(path, record)
        yield place, [Difference(place, what)] if what else []
    yield from _masters(workspace, packs)


def check_run(workspace: Workspace, state: str, run: str) -> list[Difference]:
    """Return what differs in a held or ended run. state: the folder in which it lies."""
    place = f"{state}/{run}"
    return list(_CHECKS[state](workspace.root / place, place))


def _done(home: Path, place: str) -> Iterator[Difference]:
    yield from _strangers(home, place, {DECK, CLAIM, MANIFEST, RUN})
    try:
        manifest = load(Manifest, home / MANIFEST)
        claim = load(Claim, home / CLAIM)
    except BadRecordError as error:
        yield Difference(place, str(error))
        return
    same = (claim.run, claim.deck, claim.job, claim.config) == (
        manifest.run, manifest.deck, manifest.job, manifest.config,
    )  # fmt: skip
    if not same or manifest.run != home.name:
        yield Difference(f"{place}/{CLAIM}", "claim and manifest do not agree")
    yield from _deck(home, place, claim)
    told = {file.name: (file.size, file.sha256) for file in manifest.files}
    try:
        real = {file.name: (file.size, file.sha256) for file in files_below(home / RUN, RUN)}
    except OSError as error:
        yield Difference(f"{place}/{RUN}", f"cannot be read: {(error.strerror or '').lower()}")
        return
    for name in sorted(set(told) | set(real)):
        if name not in real:
            yield Difference(f"{place}/{name}", "is missing")
        elif name not in told:
            yield Difference(f"{place}/{name}", "was not delivered by the run")
        elif told[name] != real[name]:
            yield Difference(f"{place}/{name}", "is not what the run delivered")


def _held(home: Path, place: str) -> Iterator[Difference]:
    yield from _strangers(home, place, {DECK, CLAIM})
    try:
        claim = load(Claim, home / CLAIM)
    except BadRecordError as error:
        yield Difference(f"{place}/{CLAIM}", str(error))
        return
    yield from _deck(home, place, claim)


def _returned(home: Path, place: str) -> Iterator[Difference]:
    yield from _strangers(home, place, {DECK, CLAIM, REASONS, WORDS})
    try:
        reasons = load(Reasons, home / REASONS)
    except BadRecordError as error:
        yield Difference(place, str(error))
        return
    if reasons.run != home.name:
        yield Difference(f"{place}/{REASONS}", "is of another run")
    try:
        words = Fs().read(home / WORDS)
    except OSError:
        words = b""
    if words != reasons.to_text().encode():
        yield Difference(f"{place}/{WORDS}", f"does not say what {REASONS} says")
    codes = {entry.code for entry in reasons.entries}
    if codes & {"damaged", "late-bytes"}:  # that the deck differs is what it came back for
        return
    try:
        claim = load(Claim, home / CLAIM)
    except BadRecordError as error:
        yield Difference(f"{place}/{CLAIM}", str(error))
        return
    if (claim.run, claim.deck, claim.job) != (reasons.run, reasons.deck, reasons.job):
        yield Difference(f"{place}/{CLAIM}", f"claim and {REASONS} do not agree")
    yield from _deck(home, place, claim)


_CHECKS = {"done": _done, "returned": _returned, "hold": _held}


def _deck(home: Path, place: str, claim: Claim) -> Iterator[Difference]:
    try:
        found = digest_of_file(home / DECK)
    except OSError as error:
        yield Difference(f"{place}/{DECK}", f"cannot be read: {(error.strerror or '').lower()}")
        return
    if found != (claim.deck.size, claim.deck.sha256) and not _acknowledged(home, found):
        yield Difference(f"{place}/{DECK}", "is not the deck that was taken")


def _acknowledged(home: Path, found: tuple[int, str]) -> bool:
    """Tell whether a person has acknowledged a deck as it now is."""
    try:
        kept = load(Acknowledged, home / ACKNOWLEDGED)
    except BadRecordError:
        return False
    return kept.run == home.name and kept.covers(*found)


def _strangers(home: Path, place: str, wanted: set[str]) -> Iterator[Difference]:
    found = set(names_in(home))
    for name in sorted((found ^ wanted) - {MARKER, ACKNOWLEDGED}):
        what = "does not belong there" if name in found else "is missing"
        yield Difference(f"{place}/{name}", what)


def _configs(workspace: Workspace) -> Iterator[tuple[str, list[Difference]]]:
    for name in sorted(names_in(workspace.used)):
        place = f"config/used/{name}"
        try:
            digest = digest_of_file(workspace.used / name)[1]
        except OSError:
            digest = ""
        same = f"{digest}.json" == name
        yield place, [] if same else [Difference(place, "is not what its name says")]


def _masters(
    workspace: Workspace, packs: Sequence[tuple[Path, Archive]]
) -> Iterator[tuple[str, list[Difference]]]:
    """Follow each master from generation to generation: every parent must be what was before."""
    steps = _steps(workspace, packs)
    lanes = {path.name for path in workspace.master.iterdir() if path.is_dir()}
    for lane in sorted({*steps, *(lane for lane in lanes if _restored(workspace, lane)[0])}):
        place = f"master/{lane}"
        restored, wrong = _restored(workspace, lane)
        moves = [
            (step.number, step.parent, step.next, f"done/{run}")
            for step, run in steps.get(lane, [])
        ]
        moves += restored
        sums: dict[int, str] = {}
        expected = ""
        for number, parent, left, made in sorted(moves):
            if expected and parent != expected:
                what = "met another master than the run before it left; a run between may be gone"
                wrong.append(Difference(made, what))
            sums |= {number - 1: parent, number: left}
            expected = left
        wrong += _kept(workspace, lane, sums)
        try:
            now = digest_of_file(workspace.master / lane / CURRENT)[1]
        except OSError:
            now = ""
        if now != expected:
            wrong.append(Difference(f"{place}/{CURRENT}", "is not what the last run left"))
        yield place, wrong


def _restored(
    workspace: Workspace, lane: str
) -> tuple[list[tuple[int, str, str, str]], list[Difference]]:
    """Return the generations that were put back: number, parent, next and record; and faults."""
    found, wrong = [], []
    folder = workspace.master / lane / RESTORED
    for name in sorted(names_in(folder)) if folder.is_dir() else ():
        place = f"master/{lane}/{RESTORED}/{name}"
        if not name.endswith(".json"):
            continue
        try:
            record = load(Restored, folder / name)
        except BadRecordError as error:
            wrong.append(Difference(place, f"cannot be read: {error}"))
            continue
        found.append((record.number, record.parent, record.next, place))
    return found, wrong


def _kept(workspace: Workspace, lane: str, sums: Mapping[int, str]) -> Iterator[Difference]:
    """Yield the kept generations of a master that are not what they were."""
    folder = workspace.master / lane / GENERATIONS
    for name in sorted(names_in(folder)) if folder.is_dir() else ():
        known = sums.get(int(name)) if name.isascii() and name.isdigit() else ""
        if known == "":
            yield Difference(f"master/{lane}/{GENERATIONS}/{name}", "is no generation of a master")
        elif known and digest_of_file(folder / name)[1] != known:
            yield Difference(f"master/{lane}/{GENERATIONS}/{name}", "is not what it was")


def _steps(
    workspace: Workspace, packs: Sequence[tuple[Path, Archive]]
) -> dict[str, list[tuple[LaneStep, str]]]:
    """Return how each master was moved on, by runs that are here or archived."""
    found: dict[str, LaneStep] = {}
    for run in runs_in(workspace.done):
        with contextlib.suppress(BadRecordError):
            step = load(Manifest, workspace.done / run / MANIFEST).lane
            found |= {run: step} if step else {}
    for _, record in packs:
        found |= {each.run: each.lane for each in record.runs if each.lane}
    steps: dict[str, list[tuple[LaneStep, str]]] = {}
    for run, step in found.items():
        steps.setdefault(step.lane, []).append((step, run))
    return steps
