"""Sealed archives: many old runs in one file, which `find`, `trace`, `log` and `verify` still read.

An archive is a zip, readable by any tool, and a sealed record beside it with its SHA-256 and the
runs that it holds. Runs leave `done` and `returned` only when every byte of them was read again
from the finished file. A cut leaves a run there, in the archive, or in both.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from deckwright.errors import DeckwrightError
from deckwright.service.store.records import (
    Amount,
    BadRecordError,
    Claim,
    JobName,
    LaneStep,
    Manifest,
    Reasons,
    Record,
    RunName,
    Sealed,
    Sha256,
    load,
    parse,
)
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs, digest_of_file, names_in
from deckwright.service.system.places import CLAIM, MANIFEST, REASONS, RUN, RUN_NAME, Workspace

FOLDER = "archive"
MOST = 2000
"""Runs of one archive."""

_NAME = re.compile(r"^([0-9]{4,9})\.json$")
_DATE = (1980, 1, 1, 0, 0, 0)
_BLOCK = 1 << 20
_UNREADABLE = (OSError, zipfile.BadZipFile, zlib.error, EOFError)
_ENDS: dict[str, tuple[str, type[Manifest | Reasons]]] = {
    "done": (MANIFEST, Manifest), "returned": (REASONS, Reasons),
}  # fmt: skip


class ArchivedRun(Record):
    """A run that an archive holds. state: the folder in which it lay."""

    run: RunName
    state: Literal["done", "returned"]
    job: JobName
    lane: LaneStep | None = None


class Archive(Sealed):
    """What an archive is and holds. size, sha256: of the zip."""

    archive: Literal[1] = 1
    size: Amount
    sha256: Sha256
    sealed_at: Annotated[str, Field(max_length=40)]
    accepted_by: Annotated[str, Field(min_length=1, max_length=500)]
    runs: list[ArchivedRun]


class ArchiveError(DeckwrightError):
    """An archive cannot be made or read; says which and why."""

    def __init__(self, path: Path, what: str) -> None:
        super().__init__(f"{path}: {what}")


def archives(workspace: Workspace) -> Iterator[tuple[Path, Archive]]:
    """Yield the zip of every archive with its record, by number.

    Raises:
        ArchiveError: a record cannot be read.
    """
    folder = workspace.root / FOLDER
    for name in sorted(name for name in names_in(folder) if _NAME.match(name)):
        path = folder / name
        try:
            yield path.with_suffix(".zip"), load(Archive, path)
        except BadRecordError as error:
            raise ArchiveError(path, str(error)) from error


def archived(workspace: Workspace) -> dict[str, Path]:
    """Return the zip in which each archived run lies.

    Raises:
        ArchiveError: a record cannot be read.
    """
    return {each.run: path for path, record in archives(workspace) for each in record.runs}


def seal(
    workspace: Workspace, fs: Fs, clock: Clock, runs: Sequence[tuple[str, str, str]], by: str
) -> Path:
    """Write an archive of runs; they stay where they are, for the caller to remove.

    Args:
        workspace: where.
        fs: the steps.
        clock: tells the time.
        runs: state, name and job of each run.
        by: who has accepted their results.

    Returns:
        The zip.

    Raises:
        ArchiveError: what was written does not read as it lies in the folders.
        OSError: no room or no right; nothing has changed.
    """
    folder = workspace.root / FOLDER
    if not folder.is_dir():
        fs.make_folder(folder)
        fs.sync_folder(workspace.root)
    numbers = [int(name.partition(".")[0]) for name in names_in(folder) if name[:4].isdigit()]
    path = folder / f"{max(numbers, default=0) + 1:04}.zip"
    aside = folder / f".{path.name}.part"
    if os.path.lexists(aside):  # of an attempt that was cut off
        fs.unlink(aside)
    homes = [(state, run, workspace.root / state / run) for state, run, _ in runs]
    try:
        with zipfile.ZipFile(aside, "x", zipfile.ZIP_DEFLATED) as pack:
            digests = {run: _pack(pack, run, home) for _, run, home in homes}
        fs.sync_file(aside)
        _compare(aside, digests)
        size, sha256 = digest_of_file(aside)
        fs.rename_new(aside, path)
    except BaseException:
        with contextlib.suppress(OSError):
            fs.unlink(aside)
        raise
    record = Archive(
        size=size,
        sha256=sha256,
        sealed_at=clock.now(),
        accepted_by=by,
        runs=[
            ArchivedRun(run=run, state=_state(state), job=job, lane=_lane(workspace, state, run))
            for state, run, job in runs
        ],
    )
    note = path.with_suffix(".tmp")
    fs.write_new(note, record.to_bytes())
    fs.rename_new(note, path.with_suffix(".json"))
    fs.sync_folder(folder)
    return path


def _state(state: str) -> Literal["done", "returned"]:
    return "done" if state == "done" else "returned"


def _lane(workspace: Workspace, state: str, run: str) -> LaneStep | None:
    return load(Manifest, workspace.done / run / MANIFEST).lane if state == "done" else None


def _pack(pack: zipfile.ZipFile, run: str, home: Path) -> dict[str, str]:
    """Append a run to a zip; return the SHA-256 of each of its files by member name."""
    found = {}
    for inner in sorted(each for each in home.rglob("*") if each.is_file()):
        name = f"{run}/{inner.relative_to(home).as_posix()}"
        digest = hashlib.sha256()
        facts = zipfile.ZipInfo(name, _DATE)
        facts.compress_type = zipfile.ZIP_DEFLATED
        facts.external_attr = 0o640 << 16
        with inner.open("rb") as file, pack.open(facts, "w", force_zip64=True) as member:
            while block := file.read(_BLOCK):
                digest.update(block)
                member.write(block)
        found[name] = digest.hexdigest()
    return found


def _compare(path: Path, digests: dict[str, dict[str, str]]) -> None:
    """Read a zip back and compare it with what was packed."""
    wanted = {name: digest for files in digests.values() for name, digest in files.items()}
    with zipfile.ZipFile(path) as pack:
        found = {name: _digest(pack, name) for name in pack.namelist()}
    if found != wanted:
        raise ArchiveError(path, "does not read as it was written; the runs stay where they are")


def _digest(pack: zipfile.ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with pack.open(name) as member:
        while block := member.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def difference(path: Path, record: Archive) -> str:
    """Return how a zip differs from its record; empty = not at all."""
    try:
        same = digest_of_file(path) == (record.size, record.sha256)
    except OSError as error:
        return f"cannot be read: {(error.strerror or '').lower()}"
    return "" if same else "is not what was sealed"


def ends_in(
    path: Path, runs: Sequence[ArchivedRun]
) -> Iterator[tuple[ArchivedRun, Claim, Manifest | Reasons]]:
    """Yield runs of an archive, each with its claim and the record of its end.

    A run that came back since its claim could not be read is passed over.

    Raises:
        ArchiveError: the archive cannot be read.
    """
    try:
        with zipfile.ZipFile(path) as pack:
            for each in runs:
                name, kind = _ENDS[each.state]
                with contextlib.suppress(BadRecordError):
                    claim = parse(Claim, pack.read(f"{each.run}/{CLAIM}"))
                    yield each, claim, parse(kind, pack.read(f"{each.run}/{name}"))
    except (*_UNREADABLE, KeyError) as error:
        raise ArchiveError(path, f"cannot be read: {error}") from error


@contextlib.contextmanager
def readable(run: Path) -> Iterator[Path]:
    """Yield a run folder that can be read: the one named, or, of an archived run, a copy of it.

    An archived run is named as before, such as `DIR/done/RUN/out`, or by the archive, such as
    `DIR/archive/0001.zip/RUN/out`. The copy is removed afterwards.

    Raises:
        ArchiveError: the archive cannot be read.
    """
    found = None if run.exists() else _looked_up(run.absolute())
    if found is None:
        yield run
        return
    path, name = found
    with tempfile.TemporaryDirectory(prefix="deckwright-") as room:
        try:
            with zipfile.ZipFile(path) as pack:
                inside = f"{name}/{RUN}/"
                members = [each for each in pack.namelist() if each.startswith(inside)]
                pack.extractall(room, members)
        except _UNREADABLE as error:
            raise ArchiveError(path, f"cannot be read: {error}") from error
        yield Path(room) / name / RUN


def _looked_up(run: Path) -> tuple[Path, str] | None:
    """Return the zip and the name of the run that a path stands for."""
    home = run.parent if run.name == RUN else run
    if not RUN_NAME.match(home.name):
        return None
    if home.parent.suffix == ".zip":
        return (home.parent, home.name) if home.parent.is_file() else None
    path = archived(Workspace(home.parent.parent)).get(home.name)
    return (path, home.name) if path else None
