"""The stages of a job made one after the other, each checked against what is known before it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from deckwright.engine.planning.configs import Configs
from deckwright.engine.planning.cutting import Step
from deckwright.engine.planning.decks import DeckSources, NamedDeck, layouts_of
from deckwright.engine.planning.forms import Place, make_forms
from deckwright.engine.planning.personal import marked, personal_at
from deckwright.errors import ConfigError, Fault, PluginError, UnknownKindError
from deckwright.jobs.faults import ConfigFile, sentences
from deckwright.jobs.job import DeckSpec, JobSpec
from deckwright.layout.decks import DeckLayouts
from deckwright.plugin.forms import Form
from deckwright.plugin.stages import (
    Known,
    OptionProblem,
    Setting,
    SourceStage,
    Stage,
    StageConfig,
    unknown_name,
)

_Made = TypeVar("_Made")


class Maker:
    """Makes the stages of a chain one after the other and collects every fault."""

    def __init__(self, file: ConfigFile, configs: Configs, files: dict[str, Path]) -> None:
        self.file, self.configs, self.files = file, configs, files
        self.faults: list[Fault] = []
        self.known = Known()
        self._sound = True
        self._first = 1
        self._decks: DeckLayouts | None = None
        self._personal: frozenset[str] = frozenset()

    def steps(self, spec: JobSpec) -> list[Step]:
        """Return the steps of a chain without those that have faults."""
        self._personal = frozenset(spec.personal)
        first = self._from_decks(spec.deck) if spec.deck else None
        made = [self.step(index, table) for index, table in enumerate(spec.stage)]
        return [step for step in (first, *made) if step]

    def step(self, index: int, table: dict[str, Any]) -> Step | None:
        """Return the step, or None after entering its faults."""
        number = index + self._first
        return self._guarded(partial(self._make, index, number, table), ("stage", index),
                             f"stage {number}: ")  # fmt: skip

    def _guarded(self, make: Callable[[], _Made], where: Place, prefix: str) -> _Made | None:
        """Return what is made, or None after entering its faults."""
        try:
            return make()
        except ConfigError as error:
            self.faults.extend(error.faults)
        except PluginError as error:
            medium = isinstance(error, UnknownKindError) and error.group == "medium"
            place = (*where, "medium" if medium else "kind")
            self.faults.append(self.file.fault(place, f"{prefix}{error}"))
            if not isinstance(error, UnknownKindError):
                raise
        self._sound = False
        return None

    def _from_decks(self, specs: list[DeckSpec]) -> Step | None:
        """Return the step that brings the named decks of a job."""
        self._first = 2
        self._decks = DeckLayouts([])
        made: list[NamedDeck] = []
        for place, spec in enumerate(specs):
            make, prefix = partial(self._deck, place, spec), f"deck {spec.name!r}: "
            if deck := self._guarded(make, ("deck", place), prefix):
                made.append(deck)
        if len(made) < len(specs):
            return None
        setting = self._setting(1, ("deck",), "")
        try:
            self._decks = layouts_of(made)
            stage = DeckSources(StageConfig(), setting, made)
        except (OptionProblem, ValueError) as problem:
            path = problem.path if isinstance(problem, OptionProblem) else ()
            named = f"deck {made[path[0]].name!r}: " if path and isinstance(path[0], int) else ""
            self.faults.append(self.file.fault(("deck", *path), f"{named}{problem}"))
            self._sound = False
            return None
        self.configs.deck_layouts = self._decks
        origin = self.configs.registry.origin("stages", specs[0].kind)
        step = self.outlined(Step(1, stage.kind, stage, origin, Known()))
        self.known = step.after
        return step

    def _deck(self, place: int, spec: DeckSpec) -> NamedDeck:
        where, prefix = ("deck", place), f"deck {spec.name!r}: "
        if spec.file and spec.file not in self.files:
            what = prefix + unknown_name("file", spec.file, self.files)
            raise ConfigError([self.file.fault((*where, "file"), what)])
        stage = self._stage(spec.kind, spec.options, 1, where, prefix)
        if not isinstance(stage, SourceStage):
            what = f"{prefix}{spec.kind!r} brings no cards; leave out 'kind'"
            raise ConfigError([self.file.fault((*where, "kind"), what)])
        layout = None
        try:
            stage.outline(Known())
            layout = self.configs.layout(spec.layout) if spec.layout else None
        except OptionProblem as problem:
            key = problem.path or ("layout",)
            raise ConfigError([self.file.fault((*where, *key), prefix + problem.what)]) from problem
        return NamedDeck(spec.name, stage, layout, spec.file)

    def _make(self, index: int, number: int, table: dict[str, Any]) -> Step:
        kind = table.get("kind")
        where = ("stage", index)
        if not isinstance(kind, str):
            kinds = ", ".join(self.configs.registry.kinds("stages"))
            what = f"stage {number}: the key 'kind' is missing; one of: {kinds}"
            raise ConfigError([self.file.fault(where, what)])
        prefix = f"stage {number} ({kind}): "
        options = {key: value for key, value in table.items() if key != "kind"}
        before = self.known
        stage = self._stage(kind, options, number, where, prefix)
        if self._decks is not None and isinstance(stage, SourceStage):
            what = f"{prefix}the decks of the job bring its cards; take this stage out"
            raise ConfigError([self.file.fault(where, what)])
        origin = self.configs.registry.origin("stages", kind)
        step = Step(number, kind, stage, origin, before)
        with self._option_faults(where, prefix):
            if self._sound:
                step = self.outlined(step)
                self.known = step.after
        return step

    def outlined(self, step: Step) -> Step:
        """Return a step with what is known after it.

        Raises:
            OptionProblem: its options do not fit what is known before it.
        """
        said = step.stage.outline(step.before)
        after = marked(said, step.before, self._personal, self._decks)
        return replace(step, after=after, personal=personal_at(step.before, after))

    def _stage(
        self,
        kind: str,
        options: dict[str, Any],
        number: int,
        where: Place,
        prefix: str,
    ) -> Stage[Any]:
        stage_class = self.configs.registry.stage(kind)
        config = self.file.validate(stage_class.config_model, options, where, prefix)
        with self._option_faults(where, prefix):
            return stage_class(config, self._setting(number, where, prefix))

    @contextmanager
    def _option_faults(self, where: Place, prefix: str) -> Iterator[None]:
        """Tell what does not fit of an option, or of the medium in one, with file and line."""
        try:
            yield
        except OptionProblem as problem:
            fault = self.file.fault((*where, *problem.path), prefix + problem.what)
            raise ConfigError([fault]) from problem
        except ValidationError as error:
            said = sentences(error, self.configs.registry.model_named(error.title))
            what = f"{prefix}medium: {'; '.join(said)}"
            raise ConfigError([self.file.fault((*where, "medium"), what)]) from error

    def _setting(self, number: int, where: Place, prefix: str) -> Setting:
        configs = self.configs
        return Setting(
            number,
            self.files,
            configs.layout,
            configs.layout_bytes,
            configs.code,
            configs.medium,
            partial(self._forms, number, where, prefix),
            self._decks,
            self._personal,
        )

    def _forms(
        self,
        number: int,
        where: Place,
        prefix: str,
        tables: Sequence[Mapping[str, object]],
        option: str,
    ) -> list[Form[Any]]:
        setting = self._setting(number, where, prefix)
        registry = self.configs.registry
        return make_forms(self.file, registry, setting, tables, (*where, option), prefix)
