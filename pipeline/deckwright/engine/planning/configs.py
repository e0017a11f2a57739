"""Finding and compiling what a job names: layouts, codes, media; every file kept as it was read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from deckwright.cards.codes import code_names, load_code
from deckwright.cards.codetable import CodeTable, UnfitCodeError
from deckwright.errors import ConfigError, Fault
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.decks import DECK_LAYOUTS, DeckLayouts, Decks
from deckwright.layout.reading import Layout
from deckwright.plugin.columncodes import in_codes
from deckwright.plugin.media import Medium
from deckwright.plugin.registry import Registry
from deckwright.plugin.stages import OptionProblem, unknown_name
from deckwright.wording import nearest


class Configs:
    """The config files around one job file."""

    def __init__(self, job: Path, registry: Registry) -> None:
        self.job = job.resolve()
        self.folder = self.job.parent
        self.registry = registry
        self.used: dict[str, bytes] = {}
        self.deck_layouts: DeckLayouts | None = None
        self.run_decks: Decks | None = None
        """The named decks of the run that is under way."""
        self._layouts: dict[str, Layout] = {}
        self._codes: dict[str, CodeTable] = {}
        self._code_folders: list[Path] | None = None

    def reader(self, name: str) -> Layout | DeckLayouts:
        """Return the layout, or the layouts of all decks, by which a tray was read."""
        if name == DECK_LAYOUTS and self.deck_layouts is not None:
            return self.deck_layouts
        return self.layout(name)

    def layout(self, name: str) -> Layout:
        """Return the compiled layout of this name, looked up beside the job.

        Raises:
            OptionProblem: there is no such file.
            ConfigError: the file has faults.
        """
        if name not in self._layouts:
            file = ConfigFile(self._find("layouts", name))
            self._layouts[name] = _compiled(file, name, self.code)
            self.used[f"layouts/{name}.toml"] = file.data
        return self._layouts[name]

    def layout_bytes(self, name: str) -> bytes:
        """Return a layout file as it was read."""
        self.layout(name)
        return self.used[f"layouts/{name}.toml"]

    def code(self, name: str) -> CodeTable:
        """Return a code table: packaged, from `codes/` beside the job, or a Python code page.

        Raises:
            OptionProblem: no table has this name.
        """
        if name not in self._codes:
            folders = self.code_folders()
            try:
                self._codes[name] = load_code(name, folders)
            except (LookupError, ValueError) as error:
                if isinstance(error, LookupError):
                    what = unknown_name("code", name, code_names(folders))
                    raise OptionProblem(what) from error
                raise OptionProblem(str(error)) from error
            for folder in folders:
                for path in (folder / f"{name}.toml", folder / f"{name}.csv"):
                    if path.is_file():
                        self.used.setdefault(f"codes/{path.name}", path.read_bytes())
        return self._codes[name]

    def code_folders(self) -> list[Path]:
        """Return the folders in which code files are looked up."""
        if self._code_folders is None:  # asked for with every code that is tried
            self._code_folders = [one for one in self._folders("codes") if one.is_dir()]
        return self._code_folders

    def medium(self, options: Mapping[str, object]) -> Medium[Any]:
        """Return the medium that these options describe.

        Raises:
            OptionProblem: they lack `kind`.
            pydantic.ValidationError: an option is wrong.
            PluginError: no plugin brings the kind.
        """
        kind = options.get("kind")
        if not isinstance(kind, str):
            known = ", ".join(self.registry.kinds("media"))
            msg = f"a medium needs the key 'kind', one of: {known}"
            raise OptionProblem(msg)
        medium = self.registry.medium(kind)
        config = medium.config_model.model_validate(dict(options))
        try:
            made = medium(config, self.code(config.code)).with_media(self.medium)
            return in_codes(made, config.codes, self.code) if config.codes else made
        except UnfitCodeError as error:
            raise OptionProblem(str(error)) from error

    def _folders(self, part: str) -> list[Path]:
        return [self.folder / part, self.folder.parent / part, self.folder]

    def _find(self, part: str, name: str) -> Path:
        if "/" not in name and "\\" not in name:
            for folder in self._folders(part):
                path = folder / f"{name}.toml"
                if path.is_file() and path != self.job:
                    return path
        names = sorted(
            {p.stem for f in self._folders(part) if f.is_dir() for p in f.glob("*.toml")}
        )
        looked = f"; looked in {self.folder} and its 'layouts'"
        msg = f"there is no layout {name!r}{looked}; {nearest(name, names)}"
        raise OptionProblem(msg)


def read_layout(path: Path, name: str, code: Callable[[str], CodeTable] | None = None) -> Layout:
    """Return the layout in a file, compiled.

    Args:
        path: the file.
        name: what the layout is called.
        code: finds a code; None = codes of fields are not looked up.

    Raises:
        ConfigError: with every fault of the file.
    """
    return _compiled(ConfigFile(path), name, code)


_KEPT = 64
_kept: dict[tuple[str, bytes], Layout] = {}
"""Layouts without fault by name and bytes, oldest first: one is compiled once a process."""


def _compiled(file: ConfigFile, name: str, code: Callable[[str], CodeTable] | None) -> Layout:
    kept = _kept.get((name, file.data))
    spec = file.validate(LayoutSpec, file.tables) if kept is None else kept.spec
    faults: list[Fault] = []
    if kept is None:
        faults = [file.fault(place, what) for place, what in layout_problems(spec)]
    if code is not None:
        faults += [file.fault(place, what) for place, what in _unknown_codes(spec, code)]
    if faults:
        raise ConfigError(faults)
    if kept is None:
        try:
            kept = Layout(spec, name)
        except ValueError as error:
            raise ConfigError([Fault(file.name, 0, str(error))]) from error
        while len(_kept) >= _KEPT:
            del _kept[next(iter(_kept))]
        _kept[name, file.data] = kept
    return kept


def _unknown_codes(
    spec: LayoutSpec, code: Callable[[str], CodeTable]
) -> Iterator[tuple[tuple[str | int, ...], str]]:
    tables: list[tuple[tuple[str | int, ...], list[FieldSpec]]] = [(("field",), spec.field)]
    tables += [(("card", index, "field"), card.field) for index, card in enumerate(spec.card)]
    for place, fields in tables:
        for index, one in enumerate(fields):
            if one.code:
                try:
                    code(one.code)
                except OptionProblem as problem:
                    yield (*place, index, "code"), problem.what
