"""From a job file to a plan: stages made and checked, the chain cut into passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from deckwright.engine.planning.configs import Configs
from deckwright.engine.planning.cutting import Pass, Step, cut_into_passes, group_fault
from deckwright.engine.planning.forms import make_forms
from deckwright.engine.planning.written import heads_of
from deckwright.errors import ConfigError, Fault, PluginError, UnknownKindError
from deckwright.jobs.faults import ConfigFile, sentences
from deckwright.jobs.job import JobSpec, parse_size
from deckwright.plugin.forms import Form
from deckwright.plugin.registry import Registry
from deckwright.plugin.stages import (
    GroupStage,
    Known,
    OptionProblem,
    Setting,
    SourceStage,
    StageConfig,
    unknown_name,
)


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

    @property
    def source(self) -> SourceStage[Any]:
        """Return the stage that decodes."""
        stage = self.steps[0].stage
        assert isinstance(stage, SourceStage)  # noqa: S101 # load_plan has checked it
        return stage

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
    maker = _Maker(file, configs, files)
    steps = [step for index, table in enumerate(spec.stage) if (step := maker.step(index, table))]
    faults.extend(maker.faults)
    if not faults:
        faults.extend(_chain_faults(file, steps))
    if faults:
        raise ConfigError(faults)
    steps = _in_codes(steps, maker.known)
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
    )


def _in_codes(steps: list[Step], known: Known) -> list[Step]:
    """Return the steps once cards are read, from the first on, in the codes that layouts brought.

    A layout names codes of fields after the medium was made, so the chain is outlined again.
    """
    source = steps[0].stage
    assert isinstance(source, SourceStage)  # noqa: S101 # as checked
    if known.medium is None or known.medium is source.medium:
        return steps
    source.medium = known.medium
    again, now = [], Known()
    for step in steps:
        again.append(replace(step, before=now))
        now = step.stage.outline(now)
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


class _Maker:
    """Makes the stages of a chain one after the other and collects every fault."""

    def __init__(self, file: ConfigFile, configs: Configs, files: dict[str, Path]) -> None:
        self.file, self.configs, self.files = file, configs, files
        self.faults: list[Fault] = []
        self.known = Known()
        self._sound = True

    def step(self, index: int, table: dict[str, Any]) -> Step | None:
        """Return the step, or None after entering its faults."""
        try:
            return self._make(index, table)
        except ConfigError as error:
            self.faults.extend(error.faults)
        except PluginError as error:
            medium = isinstance(error, UnknownKindError) and error.group == "medium"
            where = ("stage", index, "medium" if medium else "kind")
            self.faults.append(self.file.fault(where, f"stage {index + 1}: {error}"))
            if not isinstance(error, UnknownKindError):
                raise
        self._sound = False
        return None

    def _make(self, index: int, table: dict[str, Any]) -> Step:
        kind = table.get("kind")
        where = ("stage", index)
        if not isinstance(kind, str):
            kinds = ", ".join(self.configs.registry.kinds("stages"))
            what = f"stage {index + 1}: the key 'kind' is missing; one of: {kinds}"
            raise ConfigError([self.file.fault(where, what)])
        prefix = f"stage {index + 1} ({kind}): "
        stage_class = self.configs.registry.stage(kind)
        options = {key: value for key, value in table.items() if key != "kind"}
        config = self.file.validate(stage_class.config_model, options, where, prefix)
        before = self.known
        try:
            stage = stage_class(config, self._setting(index, prefix))
            if self._sound:
                self.known = stage.outline(before)
        except OptionProblem as problem:
            raise ConfigError(
                [self.file.fault((*where, *problem.path), prefix + problem.what)]
            ) from problem
        except ValidationError as error:
            said = sentences(error, self.configs.registry.model_named(error.title))
            what = f"medium: {'; '.join(said)}"
            raise ConfigError([self.file.fault((*where, "medium"), prefix + what)]) from error
        origin = self.configs.registry.origin("stages", kind)
        return Step(index + 1, kind, stage, origin, before)

    def _setting(self, index: int, prefix: str) -> Setting:
        configs = self.configs
        return Setting(
            index + 1,
            self.files,
            configs.layout,
            configs.layout_bytes,
            configs.code,
            configs.medium,
            partial(self._forms, index, prefix),
        )

    def _forms(
        self, index: int, prefix: str, tables: Sequence[Mapping[str, object]], option: str
    ) -> list[Form[Any]]:
        place = ("stage", index, option)
        setting = self._setting(index, prefix)
        return make_forms(self.file, self.configs.registry, setting, tables, place, prefix)


def _chain_faults(file: ConfigFile, steps: list[Step]) -> list[Fault]:
    faults = []
    written: set[str] = set()
    for index, step in enumerate(steps):
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
        if first != (index == 0):
            what = "the chain must begin with decode, and have no other"
            faults.append(file.fault(("stage", index), f"{step.label}: {what}"))
        if isinstance(step.stage, GroupStage):
            fault = group_fault(step, steps[:index])
            if fault:
                faults.append(file.fault(("stage", index), f"{step.label}: {fault}"))
    return faults


__all__ = ["Pass", "Plan", "StageConfig", "Step", "load_plan"]
