"""Files of `out` that are made at the end of a run, and what finishers see of all of them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path, PurePosixPath

from deckwright.engine.closing.ending import Ending
from deckwright.engine.closing.folder import plugin_that_writes
from deckwright.engine.passes.parts import sha256_of
from deckwright.engine.passes.tablerows import schema_of
from deckwright.engine.planning.plan import Step
from deckwright.engine.planning.written import heads_of
from deckwright.errors import PluginFailedError
from deckwright.plugin.stages import SinkStage
from deckwright.plugin.tables import Table, file_of
from deckwright.plugin.values import Bench, Delivery


def complete(ending: Ending, step: Step, bench: Bench) -> None:
    """Have a sink make the files that it makes after the last card; each is hashed.

    Raises:
        PluginFailedError: it made none.
    """
    if not isinstance(step.stage, SinkStage):
        return
    for name in step.stage.completes():
        draft, place = ending.drafts[name], ending.run / "out" / name
        with plugin_that_writes():
            step.stage.complete(name, draft.pieces(), place, bench)
        draft.remove()
        if not place.is_file():
            cause = f"its form {step.stage.form_of(name)!r} made no file {name!r}"
            raise PluginFailedError(step.label, step.origin, "complete", cause)
        ending.outputs[name] = (draft.rows, place.stat().st_size, sha256_of(place))


def write_beside(ending: Ending, step: Step, name: str, pieces: Iterable[bytes]) -> None:
    """Write a file beside the deliveries; where its name is taken, the stage's number tells.

    Raises:
        PluginFailedError: the name leads out of the folder, or cannot be that of a file.
    """
    inside = PurePosixPath(name)
    odd = {"", ".", ".."}.intersection(name.split("/")) or not name.isprintable()
    path = ending.run / "out" / inside
    if odd or path.is_dir():
        cause = f"{name!r} cannot be the name of a file in out"
        raise PluginFailedError(step.label, step.origin, "finish", cause)
    if path.exists():
        path = path.with_name(f"{step.number}-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        cause = f"{name!r} cannot be written, since a file stands where a folder is needed"
        raise PluginFailedError(step.label, step.origin, "finish", cause) from error
    with path.open("xb") as file:
        file.writelines(pieces)
    ending.brought[path.relative_to(ending.run / "out").as_posix()] = step.number


def deliveries(ending: Ending) -> Sequence[Delivery]:
    """Return every file of `out`, by name; what has no SHA-256 yet is hashed once."""
    out = ending.run / "out"
    found = sorted(files_below(out))
    return [_delivery(ending, "/".join(parts), Path(path)) for parts, path in found]


def _delivery(ending: Ending, name: str, path: Path) -> Delivery:
    number = ending.brought.get(name, 0)
    label = next((step.label for step in ending.plan.steps if step.number == number), "")
    if name not in ending.outputs:
        if name not in ending.hashed:
            ending.hashed[name] = (path.stat().st_size, sha256_of(path))
        return Delivery(name, path, label, "", None, *ending.hashed[name], {})
    rows, size, digest = ending.outputs[name]
    step = writer_of(ending, name)
    if step is None:  # a stage delivered it after the last card
        return Delivery(name, path, label, "", rows, size, digest, {})
    if not isinstance(step.stage, SinkStage) or name not in step.stage.files():
        schema = schema_of(tables_of(step)[name])
        return Delivery(name, path, step.label, "table", rows, size, digest, schema)
    form, schema = step.stage.form_of(name), step.stage.schema_of(name)
    return Delivery(name, path, step.label, form, rows, size, digest, schema)


def writer_of(ending: Ending, name: str) -> Step | None:
    """Return the step whose stage fills a delivery while cards go through it; None where none."""
    return next((step for step in ending.plan.steps if name in heads_of(step.stage)), None)


def tables_of(step: Step) -> dict[str, Table]:
    """Return the tables of a stage by the names of their files."""
    return {file_of(name): table for name, table in step.stage.tables().items()}


def files_below(folder: str | Path) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield the parts of the path in a folder, and the whole path, of every file below it."""
    yield from _below(os.fspath(folder), ())


def _below(folder: str, inside: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    with os.scandir(folder) as entries:
        for entry in entries:
            parts = (*inside, entry.name)
            if entry.is_dir(follow_symlinks=False):
                yield from _below(entry.path, parts)
            elif entry.is_file():
                yield parts, entry.path
