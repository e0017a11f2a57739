"""What service and worker say to each other: one JSON object a line, checked as foreign input."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from deckwright.service.store.records import Amount, FilePath, Record, RunName

LONGEST = 1 << 20
"""Bytes of the longest message; a longer one ends the worker."""

Outcome = Literal["done", "deck", "stage", "job", "no-room", "died", "late", "stopped"]
"""How a run ended.

    done     the run folder stands and is flushed
    deck     the deck cannot be run: returned at once
    stage    a stage raised: a try of the smaller count
    job      config, plugin or master: the job is held, no try is counted
    no-room  disk, quota or descriptors: no try is counted
    died     the worker ended by itself, or said what cannot be: a try
    late     the run took longer than its time: a try
    stopped  on a stop of the service: no try is counted
"""


class RunOrder(Record):
    """What a worker is to do. All paths are absolute.

    folder: the run's folder below `work`, which holds `deck`. out: the run folder to make in it,
    such as `out.1`. deck_name: what the deck is called in outputs. snapshot: the config it was
    taken with. files: named files that take the place of those of the job. job_timeout is the
    service's business; cpu_s is the processor time that the run may take.
    """

    run: RunName
    folder: FilePath
    out: Annotated[str, Field(pattern=r"^out\.[1-9][0-9]{0,8}$")]
    deck_name: FilePath
    snapshot: FilePath
    files: dict[str, FilePath] = Field(default_factory=dict)
    cpu_s: Amount = 3600


class Progress(Record):
    """How far a run is. Counts cards."""

    kind: Literal["progress"] = "progress"
    run: RunName
    stage: Annotated[str, Field(max_length=500)]
    done: Amount
    total: Amount


class Ended(Record):
    """How a run ended.

    sentence may hold card contents: it goes into reasons.json, never into the service's log.
    where: `file:line function` of each call, without values.
    """

    kind: Literal["ended"] = "ended"
    run: RunName
    outcome: Outcome
    code: Annotated[str, Field(max_length=64)] = ""
    stage: Annotated[str, Field(max_length=200)] = ""
    card: Amount | None = None
    columns: Annotated[str, Field(max_length=64)] = ""
    sentence: Annotated[str, Field(max_length=20_000)] = ""
    remedy: Annotated[str, Field(max_length=4096)] = ""
    where: Annotated[list[str], Field(max_length=100)] = Field(default_factory=list)
    counts: dict[str, Amount] = Field(default_factory=dict)
    """Of a done run: cards in, added, out, returned, set_aside."""
    manifest: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")] = ""
    """Of a done run: SHA-256 of the manifest in its run folder."""
    seconds: Annotated[float, Field(ge=0)] = 0.0
    stages: Annotated[dict[str, float], Field(max_length=1000)] = Field(default_factory=dict)
    """Seconds that each pass through stages took, by its name; the rest went elsewhere."""
