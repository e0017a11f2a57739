"""No room for what is made after the last card: told as such, and nothing is left."""

from __future__ import annotations

import contextlib
import errno
import os
import resource
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from deckwright.engine.closing.folder import plugin_that_writes
from deckwright.plugin.stages import FieldShape, Known
from deckwright.plugin.values import Bench
from deckwright_plugins.forms.parquet import ParquetConfig, ParquetForm
from deckwright_plugins.forms.sqlite import SqliteConfig, SqliteForm
from deckwright_plugins.shared.frames import packed

FULL = '''"""A form and a finisher that find no room."""

import errno

from deckwright import FinishStage, Form, FormConfig, StageConfig, hookimpl


class Config(FormConfig):
    """No options."""


class FullForm(Form[Config]):
    kind = "full"

    def body(self, tray):
        return b"."

    def complete(self, pieces, place, bench):
        raise OSError({number}, "said by a plugin")


class StageOptions(StageConfig):
    """No options."""


class FullStage(FinishStage[StageOptions]):
    kind = "full"

    def finish(self, closing):
        raise OSError({number}, "said by a plugin")


@hookimpl
def deckwright_forms():
    return [FullForm]


@hookimpl
def deckwright_stages():
    return [FullStage]
'''
ROOM = {
    errno.ENOSPC: "no space left on device",
    errno.EDQUOT: "disk quota exceeded",
    errno.EFBIG: "file too large",
}


def said(shop, folder: Path, where: str, number: int):
    (folder / "full.py").write_text(FULL.format(number=number), encoding="utf-8")
    chain = list(shop.chain())
    if where == "form":
        chain[-1] = {"kind": "emit", "output": [{"file": "o.x", "form": "full"}]}
    else:
        chain.append({"kind": "full"})
    job = shop.job(folder, chain, plugins=["full.py"])
    deck = shop.deck(folder / "d.txt", [shop.receipt(1)])
    answer = shop.say("run", job, deck, "--out", folder / "run")
    assert not (folder / "run").exists()
    assert not list(folder.glob(".*"))
    return answer


@pytest.mark.parametrize("where", ["form", "finisher"])
@pytest.mark.parametrize("number", ROOM)
def test_a_full_disk_is_no_fault_of_a_plugin(shop, tmp_path, where, number) -> None:
    answer = said(shop, tmp_path, where, number)
    assert answer.code == 73
    told = f"{tmp_path / 'run'}: cannot be written: {ROOM[number]}; the deck is untouched"
    assert answer.err.splitlines()[-1] == f"deckwright: {told}"


@pytest.mark.parametrize("where", ["form", "finisher"])
def test_any_other_error_of_the_system_is(shop, tmp_path, where) -> None:
    answer = said(shop, tmp_path, where, errno.ENOENT)
    assert answer.code == 3
    assert "FileNotFoundError" in answer.err


@contextlib.contextmanager
def files_up_to(size: int) -> Iterator[None]:
    """Let no file of this process grow beyond a size."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize(
    ("kind", "config", "codes"),
    [
        (ParquetForm, ParquetConfig, {errno.EFBIG}),
        # the library keeps the cause to itself
        (SqliteForm, SqliteConfig, {errno.EIO, errno.ENOSPC}),
    ],
)
def test_a_file_that_may_not_grow_is_told_by_its_number(tmp_path, kind, config, codes) -> None:
    form = kind(config(file="x", form=kind.kind), None)
    form.outline(Known(fields={"item": FieldShape("text", 64)}))
    words = [os.urandom(32).hex() for _ in range(4_000)]
    piece = packed(pl.DataFrame({"card": range(4_000), "item": words}))
    with files_up_to(64 * 1024), pytest.raises(OSError) as found, plugin_that_writes():  # noqa: PT011 # its number is looked at
        form.complete(iter([piece] * 40), tmp_path / "x", Bench(tmp_path / "bench", 0))
    assert found.value.errno in codes
