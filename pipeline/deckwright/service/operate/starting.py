"""Making a workspace: its folders, a service file that shows every key, and a first job."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from deckwright.errors import OutputError
from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.places import FOLDERS, Workspace

FIRST = "first"
"""The first job, its layout, and its folder in the inbox."""

_SERVICE = "config/service.toml"
_LAYOUT, _JOB = f"config/layouts/{FIRST}.toml", f"config/jobs/{FIRST}.toml"
_WORDS = "README.txt"
_EXAMPLES = "examples"
_EXAMPLE_WORDS = "EXAMPLES.txt"
"""Beside the folder of examples, so that `examples/*` names decks only."""


def init_workspace(root: Path, *, example: bool = False, fs: Fs | None = None) -> list[Path]:
    """Make a workspace, or what is missing in one. What is there is never changed.

    The first job is made only where there is no job at all.

    Args:
        root: the folder; it may be missing or empty, or be a workspace already.
        example: also lay decks for the first job into `examples`.
        fs: the steps.

    Returns:
        What was made, in order.

    Raises:
        OutputError: the folder is something else, or cannot be written.
    """
    maker = _Maker(root, fs or Fs())
    try:
        _check(root)
        maker.make(example=example)
    except OSError as error:
        place = str(error.filename or root)
        raise OutputError(place, f"cannot be made: {(error.strerror or '').lower()}") from error
    return maker.made


def _check(root: Path) -> None:
    """Refuse a folder in which something else lies.

    Raises:
        OutputError: there is something else.
    """
    if not os.path.lexists(root):
        return
    if not root.is_dir():
        raise OutputError(str(root), "is not a folder; name another one")
    there = set(names_in(root))
    # the service file comes first, so an attempt that was cut off before it has left nothing else
    begun = there == {"config"} and set(names_in(root / "config")) <= {_aside(_SERVICE).name}
    if there and not begun and not Workspace(root).service_file.is_file():
        what = "is not empty and no workspace; name a new or an empty folder"
        raise OutputError(str(root), what)


class _Maker:
    """Makes what is missing, and keeps what it has made."""

    def __init__(self, root: Path, fs: Fs) -> None:
        self.root, self.fs = root, fs
        self.made: list[Path] = []
        self._template = files("deckwright.service").joinpath("template")

    def make(self, *, example: bool) -> None:
        self.root.parent.mkdir(parents=True, exist_ok=True)
        self._folder(self.root)
        self._folder(self.root / "config")
        self._file(_SERVICE)
        for name in FOLDERS:
            self._folder(self.root / name)
        if not any((self.root / "config" / "jobs").glob("*.toml")):
            self._folder(self.root / "inbox" / FIRST)
            self._file(_LAYOUT)
            self._file(_JOB)
        self._file(_WORDS)
        if example:
            self._file(_EXAMPLE_WORDS)
            self._folder(self.root / _EXAMPLES)
            for name in sorted(_names(self._template.joinpath(_EXAMPLES))):
                self._file(f"{_EXAMPLES}/{name}")
        for folder in sorted({path.parent for path in self.made}):
            self.fs.sync_folder(folder)

    def _folder(self, path: Path) -> None:
        if not path.is_dir():
            self.fs.make_folder(path)
            self.made.append(path)

    def _file(self, name: str) -> None:
        """Write a file of the template where there is none; it appears whole."""
        path, aside = self.root / name, self.root / _aside(name)
        if os.path.lexists(path):
            return
        if os.path.lexists(aside):
            self.fs.unlink(aside)
        self.fs.write_new(aside, self._template.joinpath(name).read_bytes())
        self.fs.rename_new(aside, path)
        self.made.append(path)


def _aside(name: str) -> Path:
    path = Path(name)
    return path.with_name(f".{path.name}.part")


def _names(folder: Traversable) -> Iterator[str]:
    return (entry.name for entry in folder.iterdir())
