"""Templates that the package brings compiled, since that takes longer than making a page of one.

The folder `made` holds a Python file for each template, named by the SHA-1 of the template and the
library's version of what it compiles to. So one that does not fit the template as it now is, or
the library, is not found, and the template is compiled as usual. `python -m
deckwright.report.preparing` writes them anew.
"""

from __future__ import annotations

from importlib.machinery import SourceFileLoader
from pathlib import Path

from jinja2.bccache import Bucket, BytecodeCache, bc_version
from typing_extensions import override

FOLDER = Path(__file__).with_name("made")


def file_name(checksum: str) -> str:
    """Return the name of the compiled template; checksum: SHA-1 of the template."""
    return f"v{bc_version}_{checksum}.py"


class Made(BytecodeCache):
    """Finds them; keeps nothing by itself."""

    @override
    def load_bytecode(self, bucket: Bucket) -> None:
        path = FOLDER / file_name(bucket.checksum)
        if path.is_file():
            # read as a module is, so that Python keeps it in its own form too
            bucket.code = SourceFileLoader(path.stem, str(path)).get_code(path.stem)

    @override
    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep nothing."""
