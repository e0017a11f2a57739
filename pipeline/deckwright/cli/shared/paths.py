"""The type of every path on a command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from typing_extensions import override

if TYPE_CHECKING:
    from os import PathLike


class _NamedPath(click.Path):
    """A path that is not empty: `-o ""` comes of a variable that is not set."""

    @override
    def convert(
        self,
        value: str | PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> str | bytes | PathLike[str]:
        if not str(value).strip():
            self.fail("should be the name of a file or folder (got '')", param, ctx)
        return super().convert(value, param, ctx)


PATH = _NamedPath(path_type=Path)
"""The name of a file or folder, which need not be there."""
