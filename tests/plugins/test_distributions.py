"""Plugins of strangers: built as distributions of their own, installed beside the program."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from deckwright.errors import InterruptedRunError, PluginLoadError
from deckwright.plugin.registry import Registry
from guide_plugins import guide_plugin

PROJECT = """[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "{name}"
version = "{version}"

[project.entry-points."deckwright.{group}"]
{kind} = "{package}.stage"

[project.entry-points."deckwright.observers"]
{package} = "{package}.watch"

[tool.hatch.build.targets.wheel]
packages = ["{package}"]
"""
STAGE = '''"""Marks cards."""

from deckwright import Book, FieldShape, Known, StageConfig, Tray, TrayStage, hookimpl
import polars as pl


class MarkConfig(StageConfig):
    """Mark every card with a word."""

    word: str = "{word}"
    """The word."""


class MarkStage(TrayStage[MarkConfig]):
    kind = "{kind}"

    def outline(self, known: Known) -> Known:
        return known.with_fields({{"mark": FieldShape("text", len(self.config.word))}})

    def run(self, tray: Tray, book: Book) -> Tray:
        return tray.with_field("mark", pl.Series([self.config.word] * len(tray)))


@hookimpl
def deckwright_stages():
    return [MarkStage]
'''
WATCH = '''"""Writes what it hears into a file."""

import json
import os

from deckwright import hookimpl


def _note(**facts):
    with open(os.environ["HEARD"], "a", encoding="utf-8") as file:
        file.write(json.dumps(facts) + "\\n")


@hookimpl
def deckwright_run_started(job, decks, cards):
    _note(event="started", job=job, decks=decks, cards=cards)


@hookimpl
def deckwright_stage_finished(job, stage, counts):
    _note(event="stage", stage=stage, counts=dict(counts))


@hookimpl
def deckwright_run_finished(job, counts):
    _note(event="finished", counts=dict(counts))
'''


def source(
    folder: Path, name: str, kind: str, stage: str | None = None, group: str = "stages"
) -> None:
    """Write what a distribution is built from into a folder."""
    package = name.replace("-", "_")
    (folder / package).mkdir(parents=True)
    (folder / package / "__init__.py").touch()
    text = STAGE.format(kind=kind, word=name) if stage is None else stage
    (folder / package / "stage.py").write_text(text, encoding="utf-8")
    (folder / package / "watch.py").write_text(WATCH, encoding="utf-8")
    (folder / "pyproject.toml").write_text(
        PROJECT.format(name=name, version="1.2", kind=kind, package=package, group=group),
        encoding="utf-8",
    )


def install(site: Path, *sources: Path) -> None:
    """Build distributions and install them into a folder, without network."""
    command = [
        sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation",
        "--no-index", "--disable-pip-version-check", "--no-warn-script-location",
        "--root-user-action", "ignore", "--target", str(site), *map(str, sources),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, check=False, text=True)  # noqa: S603
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def sites(tmp_path_factory) -> dict[str, Path]:
    """Return folders with installed distributions: good ones, two rivals, one broken.

    All are installed at once, which takes a fraction of the time; then each moves to its own.
    """
    pytest.importorskip("hatchling")
    work, together = tmp_path_factory.mktemp("sources"), tmp_path_factory.mktemp("together")
    source(work / "1", "strange-stage", "mark")
    source(work / "2", "strange-form", "tabs", guide_plugin("tabs"), "forms")
    source(work / "3", "first-rival", "mark")
    source(work / "4", "second-rival", "mark")
    source(work / "5", "broken-stage", "mark", "import no_such_module_of_anyone\n")
    source(work / "6", "sort-of-sort", "sort")
    install(together, *sorted(work.iterdir()))
    found = {}
    for site, names in {
        "good": ["strange_stage"], "form": ["strange_form"], "broken": ["broken_stage"],
        "rivals": ["first_rival", "second_rival"], "taken": ["sort_of_sort"],
    }.items():  # fmt: skip
        found[site] = tmp_path_factory.mktemp(site)
        for part in (part for name in names for part in together.glob(f"{name}*")):
            part.rename(found[site] / part.name)
    assert not [part for part in together.iterdir() if part.name != "bin"]
    return found


@pytest.fixture
def give(sites, shop, tmp_path):
    """Return a giver of commands, with one of the folders on the path."""

    def command(site: str, *arguments: object):
        paths = [str(sites[site]), *filter(None, [os.environ.get("PYTHONPATH")])]
        env = {"PYTHONPATH": os.pathsep.join(paths), "HEARD": str(tmp_path / "heard.jsonl")}
        return shop.call(*arguments, env=env)

    return command


@pytest.fixture
def give_here(sites, shop, tmp_path, monkeypatch):
    """Return a giver of commands in this process, with one of the folders on the path."""

    def command(site: str, *arguments: object):
        monkeypatch.syspath_prepend(sites[site])
        monkeypatch.setenv("HEARD", str(tmp_path / "heard.jsonl"))
        return shop.say(*arguments)

    yield command
    monkeypatch.undo()
    for name in [name for name, each in sys.modules.items() if _is_of(each, sites.values())]:
        del sys.modules[name]


def _is_of(module: object, sites: Iterable[Path]) -> bool:
    file = getattr(module, "__file__", None) or ""
    return any(Path(file).is_relative_to(site) for site in sites if file)


@pytest.fixture
def job(shop, tmp_path) -> Path:
    return shop.job(tmp_path, shop.chain({"kind": "mark"}))


@pytest.fixture
def deck(shop, tmp_path) -> Path:
    return shop.deck(tmp_path / "d.txt", [shop.receipt(1), shop.receipt(2)])


def test_a_strangers_stage_is_listed_with_its_options(give_here) -> None:
    said = give_here("good", "stages")
    assert said.code == 0, said.err
    assert "mark           Mark every card with a word. (strange-stage 1.2)" in said.out
    said = give_here("good", "stages", "mark")
    assert said.out.startswith("mark (strange-stage 1.2): Mark every card with a word.")
    assert "word (string, default 'strange-stage')" in said.out
    assert "The word." in said.out


def test_a_strangers_stage_runs_and_is_named_in_the_manifest(give, job, deck, tmp_path) -> None:
    said = give("good", "run", job, deck, "--out", tmp_path / "run", "--workers", 2)
    assert said.code == 0, said.err
    rows = (tmp_path / "run" / "out" / "cards.csv").read_text("utf-8").splitlines()
    assert rows[0].endswith(",mark")
    assert [row.rpartition(",")[2] for row in rows[1:]] == ["strange-stage"] * 2
    manifest = (tmp_path / "run" / "manifest.json").read_text("utf-8")
    assert '"stage mark": "strange-stage 1.2"' in manifest


def test_a_strangers_option_is_checked_with_file_and_line(give_here, shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain({"kind": "mark", "wrod": "x"}))
    said = give_here("good", "check", job)
    assert said.code == 2
    line = job.read_text("utf-8").splitlines().index('wrod = "x"') + 1
    assert f"{job}:{line}: stage 3 (mark): unknown key 'wrod'; did you mean 'word'" in said.err


def test_the_schema_holds_a_strangers_stage(give_here) -> None:
    said = give_here("good", "schema")
    assert said.code == 0, said.err
    assert '"const": "mark"' in said.out


def test_a_strangers_form_is_listed_run_and_named_in_the_manifest(
    give, give_here, shop, deck, tmp_path
) -> None:
    said = " ".join(give_here("form", "stages").out.split())
    words = "tabs Deliver lines with tabs between the values, and a table schema beside them."
    assert f"{words} (strange-form 1.2)" in said
    assert 'form = "tabs": Deliver lines' in give_here("form", "stages", "emit").out
    output = [{"file": "cards.tsv", "form": "tabs"}]
    job = shop.job(tmp_path, [*shop.chain()[:-1], {"kind": "emit", "output": output}])
    said = give("form", "run", job, deck, "--out", tmp_path / "run", "--workers", 2)
    assert said.code == 0, said.err
    lines = (tmp_path / "run" / "out" / "cards.tsv").read_text("utf-8").splitlines()
    assert lines == ["card\titem\tamount\tnote", "1\t00001\t10.00\t", "2\t00002\t10.00\t"]
    manifest = (tmp_path / "run" / "manifest.json").read_text("utf-8")
    assert '"form tabs": "strange-form 1.2"' in manifest


def test_two_distributions_that_bring_one_kind_are_both_named(
    give_here, job, deck, tmp_path
) -> None:
    for arguments in (("check", job), ("run", job, deck, "--out", tmp_path / "run")):
        said = give_here("rivals", *arguments)
        assert said.code == 3
        assert "'mark'" in said.err
        assert "first-rival 1.2" in said.err
        assert "second-rival 1.2" in said.err
        assert "Traceback" not in said.err
    assert not (tmp_path / "run").exists()


def test_a_strangers_stage_of_a_known_kind_stops_jobs_that_use_it(
    give_here, shop, deck, tmp_path
) -> None:
    job = shop.job(tmp_path, shop.chain({"kind": "sort", "keys": ["item"]}))
    said = give_here("taken", "check", job)
    assert said.code == 3
    assert "sort-of-sort 1.2" in said.err
    assert "deckwright " in said.err.removeprefix("deckwright: ")


def test_a_broken_plugin_does_not_hinder_those_who_do_not_need_it(
    give_here, shop, job, deck, tmp_path
) -> None:
    said = give_here("broken", "stages")
    assert said.code == 0, said.err
    assert "sort " in said.out
    assert "broken: plugin 'mark' of broken-stage 1.2 cannot be loaded" in said.out
    assert give_here("broken", "schema").code == 0
    other = shop.job(tmp_path, shop.chain({"kind": "sort", "keys": ["item"]}), name="other")
    said = give_here("broken", "run", other, deck, "--out", tmp_path / "run")
    assert said.code == 0, said.err
    said = give_here("broken", "check", job)
    assert said.code == 3
    assert "plugin 'mark' of broken-stage 1.2 cannot be loaded: ModuleNotFoundError" in said.err
    assert "Traceback" not in said.err


def test_a_kind_that_nobody_brings_is_refused_with_near_names(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain({"kind": "soort", "keys": ["item"]}))
    said = shop.say("check", job)
    assert said.code == 2
    assert "stage 3: there is no stage " in said.err
    assert "'soort'; did you mean 'sort'" in said.err


def test_an_observer_hears_counts_and_never_a_card(give_here, job, shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1, note="SECRET"), "0000A00100{"])
    said = give_here("good", "run", job, deck, "--out", tmp_path / "run")
    assert said.code == 0, said.err
    heard = (tmp_path / "heard.jsonl").read_text("utf-8")
    assert '"event": "started", "job": "job", "decks": ["d.txt"], "cards": 2' in heard
    assert heard.count('"event": "stage"') == 4
    assert '"event": "finished"' in heard
    assert '"returned": 1' in heard
    assert "SECRET" not in heard


def test_an_observer_that_fails_is_named_with_file_and_line(give_here, job, shop, tmp_path) -> None:
    (tmp_path / "heard.jsonl").mkdir()  # so that it cannot be written
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    said = give_here("good", "run", job, deck, "--out", tmp_path / "run")
    assert said.code == 3
    assert re.search(
        r"observer '\w+' \([\w-]+ [\d.]+\) failed in deckwright_run_started: "
        r"IsADirectoryError: .*\(watch\.py:\d+\)\n$",
        said.err,
    )
    assert not (tmp_path / "run").exists()


def test_a_signal_while_a_plugin_is_loaded_is_no_fault_of_the_plugin(tmp_path) -> None:
    path = tmp_path / "interrupted.py"
    source = "from deckwright.errors import InterruptedRunError\nraise InterruptedRunError(15)\n"
    path.write_text(source, encoding="utf-8")
    with pytest.raises(InterruptedRunError):
        Registry([path])
    path.write_text("raise KeyboardInterrupt\n", encoding="utf-8")
    with pytest.raises(KeyboardInterrupt):
        Registry([path])
    path.write_text("raise OSError\n", encoding="utf-8")
    with pytest.raises(PluginLoadError, match="OSError"):
        Registry([path])
