"""One-file plugins: what runs is what stands in the file."""

from __future__ import annotations

import importlib.util
import os
import py_compile

from deckwright.plugin.registry import Registry

STAGE = """
from __future__ import annotations
from deckwright import StageConfig, TrayStage, hookimpl

class OneStage(TrayStage[StageConfig]):
    kind = "one"
    state = {state}

    def run(self, tray, book):
        return tray

@hookimpl
def deckwright_stages():
    return [OneStage]
"""


def stage_of(path) -> type:
    return Registry([path]).stage("one")


def test_no_compiled_copy_is_read_or_written(tmp_path) -> None:
    path = tmp_path / "one.py"
    path.write_text(STAGE.format(state=1))
    stood = path.stat()
    assert stage_of(path).state == 1
    assert not (tmp_path / "__pycache__").exists()
    # a copy that the usual import takes for that of the file: same size, same time
    py_compile.compile(str(path), importlib.util.cache_from_source(str(path)))
    path.write_text(STAGE.format(state=2))
    os.utime(path, ns=(stood.st_atime_ns, stood.st_mtime_ns))
    assert stage_of(path).state == 2
