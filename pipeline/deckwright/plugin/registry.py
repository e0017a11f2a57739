"""Finding and loading plugins by kind, one by one."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.machinery import SourceFileLoader
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import CodeType, FunctionType, MethodType, ModuleType
from typing import TYPE_CHECKING, Any
from weakref import WeakSet

import pluggy
from pydantic import BaseModel
from typing_extensions import override

from deckwright.errors import (
    DuplicateKindError,
    InterruptedRunError,
    ObserverError,
    PluginLoadError,
    UnknownKindError,
)
from deckwright.plugin.distributions import named
from deckwright.plugin.hooks import GROUPS, PROJECT, ObserverSpecs
from deckwright.plugin.whereabouts import where

if TYPE_CHECKING:  # not loaded for the observers of a service, which need no cards
    from deckwright.plugin.forms import Form
    from deckwright.plugin.media import Medium
    from deckwright.plugin.notices import Notice
    from deckwright.plugin.stages import Stage

_ONE = {"stages": "stage", "media": "medium", "forms": "form", "notices": "notice"}
_sound: WeakSet[ModuleType] = WeakSet()
"""Modules that were found to fit the hooks; one that is read anew is another module."""


@dataclass(frozen=True, slots=True)
class _Point:
    """An installed plugin: what it is announced as, its module, the distribution that brings it."""

    name: str
    value: str
    origin: str
    entry: EntryPoint


class Registry:
    """The plugins of one run. Only modules of kinds that are asked for are imported."""

    def __init__(self, files: Sequence[Path] = ()) -> None:
        """Take one-file plugins first; they bring kinds without being installed.

        Raises:
            PluginLoadError: a file cannot be imported or brings nothing.
        """
        self._manager = _manager()
        self._installed = _installed(tuple(sys.path))
        self._kinds: dict[tuple[str, str], type[Any]] = {}
        self._origin: dict[tuple[str, str], str] = {}
        for path in files:
            self._load_file(path)

    def stage(self, kind: str) -> type[Stage[Any]]:
        """Return the stage class of this kind.

        Raises:
            UnknownKindError, DuplicateKindError, PluginLoadError
        """
        return self._find("stages", kind)

    def medium(self, kind: str) -> type[Medium[Any]]:
        """Return the medium class of this kind.

        Raises:
            UnknownKindError, DuplicateKindError, PluginLoadError
        """
        return self._find("media", kind)

    def form(self, kind: str) -> type[Form[Any]]:
        """Return the form class of this kind.

        Raises:
            UnknownKindError, DuplicateKindError, PluginLoadError
        """
        return self._find("forms", kind)

    def notice(self, kind: str) -> type[Notice[Any]]:
        """Return the notice class of this kind.

        Raises:
            UnknownKindError, DuplicateKindError, PluginLoadError
        """
        return self._find("notices", kind)

    def options(self, group: str, kind: str) -> type[BaseModel]:
        """Return the options' model of a kind.

        Raises:
            UnknownKindError, DuplicateKindError, PluginLoadError
        """
        model: type[BaseModel] = self._find(group, kind).config_model
        return model

    def model_named(self, title: str) -> type[BaseModel]:
        """Return the options' model of a medium that is loaded, by its name; else the base."""
        media = (brought for (group, _), brought in self._kinds.items() if group == "media")
        models = (medium.config_model for medium in media)
        return next((model for model in models if model.__name__ == title), BaseModel)

    def origin(self, group: str, kind: str) -> str:
        """Return the distribution and version that brought a kind."""
        return self._origin.get((group, kind), "unknown")

    def loaded(self, group: str) -> dict[str, str]:
        """Return the kinds that were asked for so far, each with what brought it."""
        return {kind: origin for (of, kind), origin in self._origin.items() if of == group}

    def origins(self) -> set[str]:
        """Return the distributions and files that had a part so far, observers among them."""
        return {*self._origin.values(), *(point.origin for point in self._points("observers"))}

    def kinds(self, group: str) -> list[str]:
        """Return the names of all kinds that can be asked for."""
        loaded = {kind for where, kind in self._kinds if where == group}
        return sorted(loaded | {point.name for point in self._points(group)})

    def observe(self, hook: str, **facts: object) -> None:
        """Call a hook of every observer.

        Raises:
            PluginLoadError: an observer cannot be loaded.
            ObserverError: one of them raised.
        """
        for point in self._points("observers"):
            if not self._manager.has_plugin(point.value):
                self._register(_load(point), point.value, point.name, point.origin)
        try:
            getattr(self._manager.hook, hook)(**facts)
        except InterruptedRunError:
            raise
        except Exception as error:
            raise self._observer_failed(hook, error) from error

    def _observer_failed(self, hook: str, error: Exception) -> ObserverError:
        cause = f"{type(error).__name__}: {error}"
        for point in self._points("observers"):
            if place := where(error, point.value):
                observer = f"observer {point.name!r} ({point.origin})"
                return ObserverError(hook, f"{cause} ({place})", observer)
        return ObserverError(hook, cause)

    def _find(self, group: str, kind: str) -> type[Any]:
        if (group, kind) not in self._kinds:
            self._load_point(group, kind)
        return self._kinds[group, kind]

    def _load_point(self, group: str, kind: str) -> None:
        found = [point for point in self._points(group) if point.name == kind]
        if not found:
            raise UnknownKindError(_ONE[group], kind, self.kinds(group))
        origins = sorted({point.origin for point in found})
        if len(origins) > 1:
            raise DuplicateKindError(_ONE[group], kind, *origins[:2])
        module = _load(found[0])
        self._bring(group, module, found[0].value, kind, origins[0])
        if (group, kind) not in self._kinds:
            raise PluginLoadError(kind, origins[0], f"{found[0].value} brings no such kind")

    def _bring(self, group: str, module: ModuleType, name: str, kind: str, origin: str) -> None:
        self._register(module, name, kind, origin)
        hook = self._manager.subset_hook_caller(GROUPS[group][1], self._others(module)).__call__
        for classes in self._brought(group, hook, module, kind, origin):
            for brought in classes:
                key = (group, brought.kind)
                installed = [p for p in self._points(group) if p.name == brought.kind]
                if kind not in {p.name for p in self._points(group)} and installed:
                    there = installed[0].origin
                    raise DuplicateKindError(_ONE[group], brought.kind, there, origin)
                if key in self._kinds and self._kinds[key] is not brought:
                    raise DuplicateKindError(_ONE[group], brought.kind, self._origin[key], origin)
                self._kinds[key] = brought
                self._origin[key] = brought.origin = origin

    def _brought(
        self,
        group: str,
        hook: Callable[[], list[Any]],
        module: ModuleType,
        kind: str,
        origin: str,
    ) -> list[list[type[Any]]]:
        """Return the classes that a plugin brings.

        Raises:
            PluginLoadError: it fails when it is asked, or what it brings are no classes of a kind.
        """
        name = GROUPS[group][1]
        try:
            found = hook()
        except InterruptedRunError:
            raise
        except Exception as error:
            place = where(error, module.__name__)
            cause = f"{name} failed: {type(error).__name__}: {error} ({place})"
            raise PluginLoadError(kind, origin, cause) from error
        for classes in found:
            for brought in classes if isinstance(classes, list) else (classes,):
                lacking = [a for a in ("kind", "config_model") if not hasattr(brought, a)]
                if not isinstance(brought, type) or lacking:
                    lack = f" without {' and '.join(lacking)}" if lacking else ""
                    cause = f"{name} brings {brought!r}{lack}, not a class of a {_ONE[group]}"
                    raise PluginLoadError(kind, origin, cause)
        return found

    def _points(self, group: str) -> Sequence[_Point]:
        return self._installed[group]

    def _others(self, module: ModuleType) -> list[Any]:
        return [plugin for plugin in self._manager.get_plugins() if plugin is not module]

    def _register(self, module: ModuleType, name: str, kind: str, origin: str) -> None:
        if self._manager.is_registered(module):
            return
        if module not in _sound:
            try:
                # a scratch manager first, so that a faulty plugin is never half registered
                scratch = _manager()
                scratch.register(module)
                scratch.check_pending()
            except pluggy.PluginValidationError as error:
                raise PluginLoadError(kind, origin, str(error).splitlines()[-1]) from error
            _sound.add(module)
        self._manager.register(module, name)

    def _load_file(self, path: Path) -> None:
        origin = path.name
        name = f"deckwright_file_{path.stem}"
        loader = _PlainLoader(name, str(path))
        spec = importlib.util.spec_from_file_location(name, path, loader=loader)
        if spec is None or spec.loader is None or not path.is_file():
            raise PluginLoadError(path.stem, origin, "there is no such Python file")
        module = importlib.util.module_from_spec(spec)
        sys.modules[spec.name] = module
        try:
            spec.loader.exec_module(module)
        except InterruptedRunError:  # a signal while it is loaded says nothing of the plugin
            raise
        except Exception as error:
            raise PluginLoadError(path.stem, origin, f"{type(error).__name__}: {error}") from error
        for group, (_, hook) in GROUPS.items():
            if hasattr(module, hook):
                self._bring(group, module, spec.name, path.stem, origin)


class _PlainLoader(SourceFileLoader):
    """Runs a plugin file as it stands, the bytes whose digest is kept.

    A compiled copy may be of an older state of the file, and does not belong beside a job.
    """

    @override
    def get_code(self, fullname: str) -> CodeType:
        place = self.get_filename(fullname)
        return self.source_to_code(self.get_data(place), place)


class _Manager(pluggy.PluginManager):
    """Passes over the hundreds of names that are no hooks, each slow to look through."""

    @override
    def parse_hookimpl_opts(self, plugin: object, name: str) -> pluggy.HookimplOpts | None:
        if isinstance(plugin, ModuleType) and not _may_hook(vars(plugin).get(name)):
            return None
        return super().parse_hookimpl_opts(plugin, name)

    @override
    def parse_hookspec_opts(
        self, module_or_class: ModuleType | type, name: str
    ) -> pluggy.HookspecOpts | None:
        if name.startswith("_"):
            return None
        return super().parse_hookspec_opts(module_or_class, name)


def _may_hook(found: object) -> bool:
    if isinstance(found, FunctionType):
        return f"{PROJECT}_impl" in vars(found)
    return isinstance(found, (MethodType, classmethod, staticmethod))


def _manager() -> pluggy.PluginManager:
    manager = _Manager(PROJECT)
    for specs, _ in GROUPS.values():
        manager.add_hookspecs(specs)
    manager.add_hookspecs(ObserverSpecs)
    return manager


@lru_cache(maxsize=8)
def _installed(_: tuple[str, ...]) -> Mapping[str, Sequence[_Point]]:
    """Return the plugins of each group that distributions on this module path announce.

    Read once a process: looking through all distributions takes some milliseconds.
    """
    found = entry_points()
    origins: dict[int, str] = {}
    return {
        group: tuple(
            _Point(entry.name, entry.value, _origin(entry, origins), entry)
            for entry in found.select(group=f"{PROJECT}.{group}")
        )
        for group in (*GROUPS, "observers")
    }


def _origin(entry: EntryPoint, origins: dict[int, str]) -> str:
    """Return name and version of what brings a plugin; origins: by identity of those known."""
    if not entry.dist:
        return "an unnamed distribution"
    key = id(entry.dist)
    if key not in origins:
        origins[key] = " ".join(named(entry.dist))
    return origins[key]


def _load(point: _Point) -> ModuleType:
    try:
        module = point.entry.load()
    except InterruptedRunError:
        raise
    except Exception as error:
        cause = f"{type(error).__name__}: {error}"
        raise PluginLoadError(point.name, point.origin, cause) from error
    if not isinstance(module, ModuleType):
        raise PluginLoadError(point.name, point.origin, f"{point.value} is not a module")
    return module
