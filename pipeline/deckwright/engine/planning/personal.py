"""Which fields and columns are personal at each place in a chain, and the key of a run."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from deckwright.engine.planning.cutting import Step
from deckwright.errors import Fault
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.job import JobSpec
from deckwright.layout.decks import DeckLayouts
from deckwright.layout.personal import Personal, touches
from deckwright.layout.reading import Layout
from deckwright.plugin.stages import Known, unknown_name

KEY_FILE = "personal_key"
"""The name under `[files]` of the secret of a job from which keys of runs are made."""

LEAST_KEY = 32
"""Bytes that a secret must have: as many as a digest, so that it cannot be guessed."""


def marked(after: Known, before: Known, job: frozenset[str], decks: DeckLayouts | None) -> Known:
    """Return what is known after a stage, with the mark on all fields that are personal.

    A field keeps its mark under its name, whatever the stage said of it.

    Args:
        after: what the stage's `outline` returned.
        before: what was known before it.
        job: fields that the job calls personal.
        decks: the layouts of a job of several decks.
    """
    of_decks = [] if decks is None or after.punched_anew else decks.layouts
    every = of_decks if after.layout is None else [after.layout]
    layouts = [layout for layout in every if layout is not None]
    names = {name for name, shape in after.fields.items() if shape.personal}
    names |= {name for name, shape in before.fields.items() if shape.personal}
    names = (names | job) & after.fields.keys()
    if not names and not after.personal:
        return after
    found = tuple(span for layout in layouts for span in _spans(layout, names))
    shares = {name for layout in layouts for name in _sharing(layout, names)}
    fields = {
        name: replace(shape, personal=True) if name in names or name in shares else shape
        for name, shape in after.fields.items()
    }
    return replace(after, fields=fields, personal=tuple(dict.fromkeys((*after.personal, *found))))


def _spans(layout: Layout, names: set[str]) -> Iterator[tuple[str, int, int]]:
    for name in layout.field_names:
        if name in names:
            yield from ((name, first, last) for first, last in layout.columns(name))


def _sharing(layout: Layout, names: set[str]) -> Iterator[str]:
    """Yield fields that look at columns of a personal one, and the flags of both."""
    for _, fields in layout.spec.card_fields():
        spans = [one.span for one in fields if one.name in names]
        for one in fields:
            if touches(*one.span, spans):
                yield one.name
                if one.flag_name:
                    yield one.flag_name


def personal_at(before: Known, after: Known) -> Personal:
    """Return what is personal at a stage."""
    names = {
        name for known in (before, after) for name, one in known.fields.items() if one.personal
    }
    spans = [tuple(dict.fromkeys(span[1:] for span in one.personal)) for one in (before, after)]
    return Personal(frozenset(names), *spans)


def on_cards_as_read(steps: Sequence[Step]) -> list[Step]:
    """Return steps that hold personal, while cards are as they were read, what any layout says.

    A stage before the first layout can find fault with any column.
    """
    read = [step for step in steps if not step.before.punched_anew]
    names = frozenset[str]().union(*(step.personal.names for step in read))
    if not names:
        return list(steps)
    native = [s for step in read for s in step.personal.before]
    native += [s for step in read if not step.after.punched_anew for s in step.personal.after]
    spans = tuple(dict.fromkeys(native))
    return [
        replace(
            step,
            personal=Personal(
                names | step.personal.names,
                spans,
                step.personal.after if step.after.punched_anew else spans,
            ),
        )
        if not step.before.punched_anew
        else step
        for step in steps
    ]


def columns_as_read(steps: Sequence[Step]) -> tuple[tuple[int, int], ...]:
    """Return the columns that are personal on cards as they were read."""
    return steps[0].personal.before


def columns_of(layout: Layout, job: Iterable[str]) -> tuple[tuple[int, int], ...]:
    """Return the columns that are personal by a layout, and by the fields that a job lists."""
    listed = set(job)
    names = {
        name
        for name in layout.field_names
        if name in listed or any(one.personal for one in layout.fields(name))
    }
    return tuple(dict.fromkeys(span[1:] for span in _spans(layout, names)))


def key_of_run(secret: bytes, configs: Mapping[str, bytes], decks: Sequence[str]) -> bytes:
    """Return the key of a run: HMAC-SHA-256 of all that it is made of, by the job's secret.

    Args:
        secret: the secret; without one there is no key.
        configs: the files of the job, by name.
        decks: SHA-256 of each deck.
    """
    if not secret:
        return b""
    parts = [b"deckwright personal fields 1"]
    for name, data in sorted(configs.items()):
        parts += [name.encode(), hashlib.sha256(data).digest()]
    parts += [deck.encode() for deck in decks]
    return hmac.digest(secret, b"\0".join(parts), hashlib.sha256)


def secret_fault(path: Path) -> str:
    """Return what is wrong with the secret of a job; empty when all is well."""
    if not path.is_file():
        return f"there is no file {path.name!r}; make one of {LEAST_KEY} random bytes"
    if path.stat().st_size < LEAST_KEY:
        return f"{path.name!r} should hold at least {LEAST_KEY} random bytes"
    return ""


def personal_faults(
    file: ConfigFile, spec: JobSpec, steps: Sequence[Step], files: Mapping[str, Path]
) -> Iterator[Fault]:
    """Yield what is wrong with what a job says of personal fields."""
    known: dict[str, None] = {}
    for step in steps:
        known.update(dict.fromkeys(step.after.fields))
    for index, name in enumerate(spec.personal):
        if name not in known:
            yield file.fault(("personal", index), unknown_name("field", name, list(known)))
    if KEY_FILE in files and (what := secret_fault(files[KEY_FILE])):
        yield file.fault(("files", KEY_FILE), f"{KEY_FILE}: {what}")
    if not any(step.personal for step in steps):
        return
    source = steps[0].stage
    decks = getattr(source, "decks", None) or [source]
    for index, deck in enumerate(decks):
        if getattr(deck, "medium", None) is not None and deck.medium.keeps_originals:
            place = ("stage", 0, "medium") if deck is source else ("deck", index, "medium")
            what = (
                "this medium shows pictures of whole cards, in which personal fields cannot be "
                "masked; run the pictures to a deck on another medium, and mark the fields there"
            )
            yield file.fault(place, what)


def personal_notes(steps: Sequence[Step], *, has_key: bool) -> Iterator[str]:
    """Yield what a person should know of the personal fields of a job, in sentences.

    Args:
        steps: the stages of the job.
        has_key: the job has a secret.
    """
    names: dict[str, None] = {}
    for step in steps:
        known = (name for name, one in step.after.fields.items() if one.personal)
        names.update(dict.fromkeys(known))
    if not names:
        return
    listed = ", ".join(names)
    yield f"personal, only in deliveries that name them and in returned decks: {listed}."
    if not has_key:
        yield (
            f"all personal text is masked alike elsewhere, as [files] has no {KEY_FILE}; with one, "
            "the same text has the same digest."
        )
