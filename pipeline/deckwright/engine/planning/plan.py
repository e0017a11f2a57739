"""From a job file to a plan: stages made and checked, the chain cut into passes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from deckwright.cards.codetable import CodeTable
from deckwright.engine.planning.asking import Asking, all_asking, asking_of
from deckwright.engine.planning.configs import Configs
from deckwright.engine.planning.cutting import Pass, Step, cut_into_passes, group_fault
from deckwright.engine.planning.decks import DeckSources, NamedDeck
from deckwright.engine.planning.maker import Maker
from deckwright.engine.planning.personal import on_cards_as_read, personal_faults
from deckwright.engine.planning.written import heads_of
from deckwright.errors import ConfigError, Fault
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.job import JobSpec, parse_size
from deckwright.layout.personal import Seal
from deckwright.layout.reading import Layout
from deckwright.plugin.media import Medium
from deckwright.plugin.registry import Registry
from deckwright.plugin.stages import (
    GroupStage,
    Known,
    OptionProblem,
    SourceStage,
    StageConfig,
    unknown_name,
)
from deckwright.plugin.values import DeckPart


@dataclass(slots=True)
class Plan:
    """A job, ready to run."""

    name: str
    path: Path
    spec: JobSpec
    steps: list[Step]
    passes: list[Pass]
    files: dict[str, Path]
    registry: Registry
    configs: Configs
    known: Known
    replaced: dict[str, str] = field(default_factory=dict)
    seal: Seal = field(default_factory=Seal)
    """What stands for personal text in the run that is under way."""

    @property
    def personal(self) -> frozenset[str]:
        """Return the personal fields of the whole chain."""
        names: frozenset[str] = frozenset()
        return names.union(*(step.personal.names for step in self.steps))

    asking: tuple[Asking, ...] = ()

    @property
    def source(self) -> SourceStage[Any]:
        """Return the stage that decodes."""
        stage = self.steps[0].stage
        assert isinstance(stage, SourceStage)  # noqa: S101 # load_plan has checked it
        return stage

    @property
    def named(self) -> tuple[NamedDeck, ...]:
        """Return the named decks of the job, in their order; none in a job of one deck."""
        return self.decks.decks if self.decks else ()

    @property
    def decks(self) -> DeckSources | None:
        """Return the stage that brings several named decks; None in a job of one deck."""
        stage = self.steps[0].stage
        return stage if isinstance(stage, DeckSources) else None

    @property
    def code(self) -> CodeTable:
        """Return the code of the internal bytes of all cards."""
        return self.decks.code if self.decks else self.source.medium.code

    @property
    def media(self) -> list[Medium[Any]]:
        """Return the media of all decks."""
        return [deck.medium for deck in self.named] or [self.source.medium]

    def medium_of(self, part: DeckPart) -> Medium[Any]:
        """Return the medium of a deck of a run."""
        return next((d.medium for d in self.named if d.name == part.of), self.media[0])

    def layout_of(self, part: DeckPart) -> Layout | None:
        """Return the layout that the job names for a deck of a run; None in a job of one deck."""
        return next((deck.layout for deck in self.named if deck.name == part.of), None)

    @property
    def memory(self) -> int:
        """Return the memory limit in bytes."""
        return parse_size(self.spec.memory)


def load_plan(
    job: Path, replaced: Mapping[str, str] | None = None, registry: Registry | None = None
) -> Plan:
    """Read a job file and all that it names, and make the plan.

    Args:
        job: path of the job file.
        replaced: named files to use in place of those that the job gives.
        registry: of an earlier plan of this very job, which has no plugin files; stages are made
            anew all the same.

    Raises:
        ConfigError: with every fault of the job and its layouts.
        PluginError: a plugin is missing or broken.
    """
    replaced = dict(replaced or {})
    file = ConfigFile(job)
    _must_be_a_job(file)
    spec = file.validate(JobSpec, file.tables)
    plugins = [_plugin_file(job, plugin) for plugin in spec.plugins]
    registry = registry or Registry(plugins)
    configs = Configs(job, registry)
    configs.used["job.toml"] = file.data
    for path in plugins:
        configs.used[f"plugins/{path.name}"] = path.read_bytes()
    faults = [
        file.fault(("files",), unknown_name("file", name, spec.files))
        for name in sorted(set(replaced) - set(spec.files))
    ]
    files = {name: (job.parent / path) for name, path in spec.files.items()}
    files.update({name: Path(path) for name, path in replaced.items()})
    maker = Maker(file, configs, files)
    steps = maker.steps(spec)
    faults.extend(maker.faults)
    if not faults:
        faults.extend(_chain_faults(file, steps))
        faults.extend(personal_faults(file, spec, steps, files))
    if faults:
        raise ConfigError(faults)
    steps = on_cards_as_read(_in_codes(maker, steps))
    return Plan(
        job.stem,
        job,
        spec,
        steps,
        cut_into_passes(steps),
        files,
        registry,
        configs,
        maker.known,
        replaced,
        asking=all_asking(steps),
    )


def _in_codes(maker: Maker, steps: list[Step]) -> list[Step]:
    """Return the steps once cards are read, from the first on, in the codes that layouts brought.

    A layout names codes of fields after the medium was made, so the chain is outlined again.
    """
    source, known = steps[0].stage, maker.known
    assert isinstance(source, SourceStage)  # noqa: S101 # as checked
    if isinstance(source, DeckSources) or known.medium is None or known.medium is source.medium:
        return steps
    source.medium = known.medium
    again: list[Step] = []
    for step in steps:
        before = again[-1].after if again else Known()
        again.append(maker.outlined(replace(step, before=before)))
    return again


def _must_be_a_job(file: ConfigFile) -> None:
    if "stage" in file.tables:
        return
    layout = "field" in file.tables or "card" in file.tables
    what = "is a layout; name the job that uses it" if layout else _NO_JOB
    raise ConfigError([Fault(file.name, 0, what)])


_NO_JOB = "has no [[stage]] table, so it is no job; deckwright guide job shows what a job is"


def _plugin_file(job: Path, plugin: str) -> Path:
    """Return where a one-file plugin lies: where the job says, else in `plugins` beside the job."""
    path = job.parent / plugin
    beside = job.parent / "plugins" / path.name
    return beside if beside.is_file() and not path.is_file() else path


def _chain_faults(file: ConfigFile, steps: list[Step]) -> list[Fault]:
    faults = []
    written: set[str] = set()
    decks = isinstance(steps[0].stage, DeckSources) if steps else False
    for place, step in enumerate(steps):
        index = place - decks
        names = heads_of(step.stage)
        faults += [
            file.fault(("stage", index), f"{step.label}: file {name!r} is written twice")
            for name in sorted(set(names) & written)
        ]
        written |= set(names)
        faults += [
            file.fault(("stage", index), f"{step.label}: {said}")
            for name, table in step.stage.tables().items()
            for said in table.faults(name)
        ]
        first = isinstance(step.stage, SourceStage)
        if first != (place == 0):
            what = "the chain must begin with decode, and have no other"
            faults.append(file.fault(("stage", index), f"{step.label}: {what}"))
        if isinstance(step.stage, GroupStage):
            fault = group_fault(step, steps[:place]) or _asking_fault(step)
            if fault:
                faults.append(file.fault(("stage", index), f"{step.label}: {fault}"))
    return faults


def _asking_fault(step: Step) -> str:
    try:
        asking_of(step)
    except OptionProblem as problem:
        return problem.what
    return ""


__all__ = ["Pass", "Plan", "StageConfig", "Step", "load_plan"]
