"""The tables of the pages name exactly what there is: keys, kinds, hooks, events, codes, files."""

from __future__ import annotations

import ast
import importlib
import inspect
import json
import pkgutil
import re
import signal
from collections.abc import Iterator
from importlib.metadata import entry_points
from typing import Literal, get_args, get_origin

import click
import polars as pl
import pytest
from pydantic import BaseModel

import deckwright
import deckwright_plugins
from deckwright.cards.codes import load_code
from deckwright.cli.main import COMMANDS
from deckwright.errors import DeckwrightError, InterruptedRunError
from deckwright.jobs.base import ConfigModel
from deckwright.jobs.codespecs import CodeRangeSpec
from deckwright.jobs.fielddefaults import DefaultsSpec
from deckwright.jobs.fieldspecs import CheckSpec, FieldSpec
from deckwright.jobs.job import DeckSpec, JobSpec
from deckwright.jobs.layouts import CardSpec, ConditionSpec, LayoutSpec, RuleSpec
from deckwright.jobs.service import (
    DeliverSpec,
    JobServiceSpec,
    LimitsSpec,
    NoticeSpec,
    RetrySpec,
    ServiceSpec,
)
from deckwright.journal.tables import ENTRY_SCHEMA, FATE_SCHEMA
from deckwright.layout import failures
from deckwright.layout.failures import Reason
from deckwright.plugin import hooks
from deckwright.plugin.forms import FormConfig
from deckwright.plugin.stages import StageConfig
from deckwright.plugin.tableforms import ColumnConfig
from deckwright.service.operate.status import Standing
from deckwright_plugins.forms.csv import CsvConfig
from deckwright_plugins.forms.deck import DeckConfig
from deckwright_plugins.forms.fixed import FixedConfig
from deckwright_plugins.forms.json_lines import JsonLinesConfig
from deckwright_plugins.forms.parquet import ParquetConfig
from deckwright_plugins.forms.sqlite import SqliteConfig
from deckwright_plugins.media.blocks import BlocksConfig
from deckwright_plugins.media.column_binary import ColumnBinaryConfig
from deckwright_plugins.media.pictures.options import PicturesConfig
from deckwright_plugins.media.records.medium import RecordsConfig
from deckwright_plugins.media.text.medium import TextConfig
from deckwright_plugins.media.transcript.medium import TranscriptConfig
from deckwright_plugins.media.wrapped import WrappedConfig
from deckwright_plugins.notices.append_line import AppendLineConfig
from deckwright_plugins.stages.decode import DecodeConfig
from deckwright_plugins.stages.emit import EmitConfig
from deckwright_plugins.stages.merge.masterfile import MasterConfig
from deckwright_plugins.stages.merge.stage import MergeConfig
from deckwright_plugins.stages.reproduce import ReproduceConfig, SequenceConfig, SourceConfig
from deckwright_plugins.stages.sort import KeyConfig, SortConfig
from deckwright_plugins.stages.spread import SpreadConfig
from deckwright_plugins.stages.validate import ValidateConfig

DOCUMENTED = [
    ("job.md", "Keys of a job", "key", JobSpec),
    ("job.md", "Several decks in one job", "key of a deck", DeckSpec),
    ("layout.md", "The file", "key", LayoutSpec),
    ("layout.md", "Defaults", "key of defaults", DefaultsSpec),
    ("layout.md", "Keys of a field", "key", FieldSpec),
    ("layout.md", "Check digits", "key", CheckSpec),
    ("layout.md", "Card types", "key", CardSpec),
    ("layout.md", "Card types", "key of a condition", ConditionSpec),
    ("layout.md", "Rules", "key", RuleSpec),
    ("stages.md", "Every stage", "option", StageConfig),
    ("stages.md", "decode", "option", DecodeConfig),
    ("stages.md", "validate", "option", ValidateConfig),
    ("stages.md", "sort", "option", SortConfig),
    ("stages.md", "A key of a sort", "option", KeyConfig),
    ("stages.md", "merge", "option", MergeConfig),
    ("stages.md", "A master", "option", MasterConfig),
    ("stages.md", "reproduce", "option", ReproduceConfig),
    ("stages.md", "A source of a field", "option", SourceConfig),
    ("stages.md", "A sequence", "option", SequenceConfig),
    ("stages.md", "emit", "option", EmitConfig),
    ("forms.md", "Every output", "option", FormConfig),
    ("forms.md", "csv", "option", CsvConfig),
    ("forms.md", "fixed", "option", FixedConfig),
    ("forms.md", "deck", "option", DeckConfig),
    ("forms.md", "parquet", "option", ParquetConfig),
    ("forms.md", "sqlite", "option", SqliteConfig),
    ("forms.md", "json-lines", "option", JsonLinesConfig),
    ("forms.md", "A column", "option", ColumnConfig),
    ("service.md", "Keys of service.toml", "key", ServiceSpec),
    ("service.md", "Limits", "key", LimitsSpec),
    ("service.md", "Tries", "key", RetrySpec),
    ("service.md", "A job of the service", "key", JobServiceSpec),
    ("service.md", "Copies for another place", "key", DeliverSpec),
    ("service.md", "Notices", "key", NoticeSpec),
    ("service.md", "Notices", "option", AppendLineConfig),
    ("codes.md", "Medium text", "option", TextConfig),
    ("codes.md", "Medium blocks", "option", BlocksConfig),
    ("codes.md", "Medium column-binary", "option", ColumnBinaryConfig),
    ("codes.md", "Medium records", "option", RecordsConfig),
    ("codes.md", "Medium transcript", "option", TranscriptConfig),
    ("codes.md", "Medium wrapped", "option", WrappedConfig),
    ("codes.md", "Medium pictures", "option", PicturesConfig),
    ("codes.md", "Several codes on one card", "key of a code", CodeRangeSpec),
    ("stages.md", "spread", "option", SpreadConfig),
]
each_model = pytest.mark.parametrize(
    ("page", "heading", "word", "model"), DOCUMENTED, ids=lambda each: getattr(each, "__name__", "")
)


def keys_of(model: type[BaseModel]) -> dict[str, str]:
    """Return written key to attribute; of a stage or form only those that not all of them have."""
    bases = (base for base in (StageConfig, FormConfig) if issubclass(model, base))
    shared = next((base.model_fields for base in bases if model is not base), {})
    fields = model.model_fields.items()
    return {info.alias or name: name for name, info in fields if name not in shared}


def default_of(model: type[BaseModel], name: str) -> str:
    """Return a default as the pages write it."""
    info = model.model_fields[name]
    if info.is_required():
        return "needed"
    value = info.get_default(call_default_factory=True)
    empty = value is None or value in ("", [], {}) or isinstance(value, BaseModel)
    return "none" if empty else f"`{json.dumps(value)}`"


def inside(annotation: object) -> Iterator[object]:
    """Yield an annotation and all that it is made of."""
    yield annotation
    if get_origin(annotation) is not Literal:
        for inner in get_args(annotation):
            yield from inside(inner)


def models_below(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """Yield a model and every model that its fields lead to."""
    yield model
    for info in model.model_fields.values():
        for part in inside(info.annotation):
            if isinstance(part, type) and issubclass(part, ConfigModel):
                yield from models_below(part)


@each_model
def test_a_table_names_every_key_and_no_other(pages, page, heading, word, model) -> None:
    named = pages.table(page, heading, word, "default").first()
    assert sorted(named) == sorted(keys_of(model))


@each_model
def test_a_table_gives_the_true_defaults(pages, page, heading, word, model) -> None:
    table = pages.table(page, heading, word, "default")
    said = {row[0].strip("`"): row[1] for row in table.rows}
    assert said == {key: default_of(model, name) for key, name in keys_of(model).items()}


@each_model
def test_a_table_names_every_word_that_a_key_may_have(pages, page, heading, word, model) -> None:
    meanings = {
        row[0].strip("`"): row[2] for row in pages.table(page, heading, word, "default").rows
    }
    for key, name in keys_of(model).items():
        parts = inside(model.model_fields[name].annotation)
        words = [w for part in parts if get_origin(part) is Literal for w in get_args(part) if w]
        missing = [w for w in words if not re.search(f'`"?{re.escape(w)}"?`', meanings[key])]
        assert missing == [], f"{page}: {key}"


def test_every_model_that_people_write_has_a_table() -> None:
    documented = {model for *_, model in DOCUMENTED}
    reached = {inner for model in documented for inner in models_below(model)}
    assert reached == documented
    kinds = [
        getattr(point.load(), f"deckwright_{group}")()
        for group in ("stages", "media", "forms", "notices")
        for point in own_points(group)
    ]
    assert {one.config_model for classes in kinds for one in classes} <= documented


def own_points(group: str):
    """Return the entry points of the program itself."""
    points = entry_points(group=f"deckwright.{group}")
    return [point for point in points if point.dist is not None and point.dist.name == "deckwright"]


def test_the_kinds_in_the_readme_are_those_that_are_installed(pages) -> None:
    table = pages.table("README.md", "Stages and media", "stage")
    stages = {point.name for point in own_points("stages")}
    media = {point.name for point in own_points("media")}
    assert set(table.first()) == stages
    decode = next(row for row in table.rows if row[0] == "`decode`")
    assert set(re.findall(r"`([^`]+)`", decode[1])) == media


def test_every_kind_has_its_section(pages) -> None:
    chapters = re.findall(r"^## (\S+)$", pages.text("stages.md"), re.MULTILINE)
    assert set(chapters) == {point.name for point in own_points("stages")}
    media = re.findall(r"^## Medium (\S+)$", pages.text("codes.md"), re.MULTILINE)
    assert set(media) == {point.name for point in own_points("media")}


def test_every_form_has_its_section(pages) -> None:
    chapters = re.findall(r"^## (\S+)$", pages.text("forms.md"), re.MULTILINE)
    assert sorted(chapters) == sorted(point.name for point in own_points("forms"))


def test_every_hook_is_described_with_its_arguments(pages) -> None:
    specs = [spec for spec, _ in hooks.GROUPS.values()] + [hooks.ObserverSpecs]
    found = {
        f"{name}({', '.join(list(inspect.signature(hook).parameters)[1:])})"
        for spec in specs
        for name, hook in vars(spec).items()
        if name.startswith("deckwright_")
    }
    tables = [table for table in pages.tables("DEVELOPERS.md") if table.head[0] == "hook"]
    assert {name for table in tables for name in table.first()} == found


def test_the_pages_name_every_event_that_a_log_can_hold(pages, eventful) -> None:
    lines = (eventful.folder / "log.jsonl").read_text(encoding="utf-8").splitlines()
    logged = {json.loads(line)["event"] for line in lines}
    sentence = pages.text("DEVELOPERS.md").partition("Events: ")[2].partition(". It carries")[0]
    assert set(re.findall(r"`(\w+)`", sentence)) == logged
    assert set(pages.table("run-folder.md", "Events of log.jsonl", "event").first()) == logged


def test_no_event_name_of_the_source_is_left_out(pages) -> None:
    documented = set(pages.table("run-folder.md", "Events of log.jsonl", "event").first())
    for module in ("events", "logfile"):
        source = inspect.getsource(importlib.import_module(f"deckwright.journal.{module}"))
        written = re.findall(r'"((?:card|run|stage|reason|output)_[a-z]+(?:_[a-z]+)?)"', source)
        assert written
        assert set(written) - {"card_in_deck", "run_faults"} <= documented  # keys, no events


def test_exit_codes_are_those_of_the_errors(pages) -> None:
    for module in pkgutil.walk_packages(deckwright.__path__, "deckwright."):
        importlib.import_module(module.name)
    classes, found = [DeckwrightError], {0, click.UsageError.exit_code}
    while classes:
        below = [one for one in classes.pop().__subclasses__() if one is not InterruptedRunError]
        own = [one for one in below if one.__module__.split(".")[0].startswith("deckwright")]
        found |= {one.exit_code for one in own}
        classes += own
    found |= set(Standing)
    for number in (signal.SIGINT, signal.SIGTERM):
        found.add(InterruptedRunError(number).exit_code)
    said = pages.table("README.md", "Commands", "exit code").first()
    assert [int(code) for cell in said for code in cell.split(",")] == sorted(found)
    heads = re.findall(r"^## Exit codes? (.*?):", pages.text("trouble.md"), re.MULTILINE)
    codes = [int(code) for head in heads for code in re.findall(r"\d+", head)]
    assert codes == sorted(found - {0})


def test_the_public_names_are_those_that_have_a_home() -> None:
    homes = [name for names in vars(deckwright)["_HOMES"].values() for name in names]
    assert sorted(homes) == sorted(deckwright.__all__)
    assert len(set(homes)) == len(homes)
    for name in homes:
        assert getattr(deckwright, name) is not None


def reasons_in(source: str) -> Iterator[str]:
    """Yield the reasons that a module's source gives to cards."""
    places = {"OddCards": 1, "fault": 2, "give_back": 2, "set_aside": 2}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = getattr(node.func, "attr", getattr(node.func, "id", ""))
            place = places.get(called, len(node.args))
            if place < len(node.args) and isinstance(node.args[place], ast.Constant):
                yield node.args[place].value
        if isinstance(node, ast.Assign) and "_classes" in ast.unparse(node.targets[0]):
            yield from (each.elts[0].value for each in node.value.elts)


def test_every_reason_is_explained(pages) -> None:
    found = {reason.code for reason in Reason if reason} | {"rule:NAME"}
    found |= {
        value
        for name, value in vars(failures).items()
        if name.isupper() and not name.startswith("_") and isinstance(value, str)
    }
    for module in pkgutil.walk_packages(deckwright_plugins.__path__, "deckwright_plugins."):
        source = inspect.getsource(importlib.import_module(module.name))
        found |= set(reasons_in(source))
    assert set(pages.table("layout.md", "Reason codes", "reason").first()) == found


def heading_of(path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines()[0].split(",")


def test_the_columns_of_the_lists_of_reasons_are_described(pages, eventful) -> None:
    said = pages.table("run-folder.md", "reasons.csv, queries.csv, notes.csv", "column").first()
    assert heading_of(eventful.folder / "returned" / "reasons.csv") == said
    kept = [name for name in said if name != "place_in_returned_deck"]
    assert heading_of(eventful.folder / "queries.csv") == kept
    assert heading_of(eventful.folder / "notes.csv") == kept


@pytest.mark.parametrize("file", ["control.json", "manifest.json", "journal.json"])
def test_every_key_of_the_json_files_is_described(pages, eventful, file) -> None:
    folder = eventful.folder / ("journal" if file == "journal.json" else "")
    content = json.loads((folder / file).read_text(encoding="utf-8"))
    table = pages.table("run-folder.md", file, "key")
    assert table.first() == list(content)
    free = {"columns", "facts", "versions", "files_used"}  # their keys are names of the job
    section = pages.text("run-folder.md").partition("# The run folder")[2]
    inner = {
        key
        for name, value in content.items()
        if name not in free
        for each in (value if isinstance(value, list) else [value])
        if isinstance(each, dict)
        for key in each
    }
    tasks = [task for one in content.get("passes", []) for task in one["tasks"]]
    inner |= {key for task in tasks for key in task}
    assert {key for key in inner if f"`{key}`" not in section} == set()


def test_the_index_of_the_journal_names_the_field_of_each_span(eventful) -> None:
    text = (eventful.folder / "journal" / "journal.json").read_text(encoding="utf-8")
    validate = json.loads(text)["stages"][1]
    # a flag stands in the columns of its field and is not the field
    assert validate["columns"] == {"1_5": "item", "6_9": "amount", "10_10": "colour"}


def test_every_fact_of_a_stage_is_described(pages, eventful) -> None:
    stages = eventful.control["stages"]
    facts = {fact for stage in stages for fact in stage["facts"]}
    assert facts
    assert {fact for fact in facts if f"`{fact}`" not in pages.text("stages.md")} == set()


def test_every_file_of_a_run_folder_is_described(pages, eventful) -> None:
    table = pages.table("run-folder.md", "The run folder", "file")
    said = {cell.split("/")[0] for cell in table.first()}
    assert {path.name for path in eventful.folder.iterdir()} == said
    kinds = pages.table("run-folder.md", "The journal", "file").first()
    patterns = [
        re.escape(kind).replace("pN", r"p\d+").replace("TTTTT", r"\d{5}").replace("FILE", ".+")
        for kind in kinds
    ]
    files = [path.name for path in (eventful.folder / "journal").glob("*.parquet")]
    matched = {next(p for p in patterns if re.fullmatch(p, file)) for file in files}
    assert matched == set(patterns)


@pytest.mark.parametrize(("part", "schema"), [("entries", ENTRY_SCHEMA), ("fates", FATE_SCHEMA)])
def test_the_tables_of_the_journal_have_the_columns_described(
    pages, eventful, part, schema
) -> None:
    rows = pages.table("run-folder.md", f"Columns of {part}", "column").rows
    assert [(row[0].strip("`"), row[1]) for row in rows] == [
        (name, str(kind)) for name, kind in schema.items()
    ]
    for path in (eventful.folder / "journal").glob(f"*.{part}.parquet"):
        assert pl.read_parquet_schema(path) == schema


def test_the_rows_of_the_journal_have_no_other_columns(pages, eventful) -> None:
    said = pages.table("run-folder.md", "Columns of rows", "column").first()
    patterns = [
        name.replace("sS", r"s\d+").replace("F_L", r"\d+_\d+").replace("NAME", "[a-z].*")
        for name in said
    ]
    found = {
        column
        for path in (eventful.folder / "journal").glob("*.rows.parquet")
        for column in pl.read_parquet_schema(path)
    }
    assert found
    for column in found:
        assert any(re.fullmatch(pattern, column) for pattern in patterns), column


def test_the_packaged_codes_are_those_of_the_page(pages) -> None:
    rows = pages.table("codes.md", "Codes that come with the program", "code").rows
    said = {row[0].strip("`"): row[2] for row in rows}
    data = pages.root / "pipeline" / "deckwright" / "cards" / "data"
    names = [path.stem for path in data.glob("*.csv")]
    assert said == {name: "no" if load_code(name).from_raw is None else "yes" for name in names}


def test_the_commands_of_the_readme_are_those_of_the_program(pages) -> None:
    table = next(t for t in pages.tables("README.md") if t.heading == "Commands")
    assert sorted(row[0].split()[1].strip("`") for row in table.rows) == sorted(COMMANDS)


def test_every_message_that_the_page_on_trouble_names_is_one_of_the_program(pages) -> None:
    paths = [p for part in ("pipeline", "plugins") for p in (pages.root / part).rglob("*.py")]
    source = "\n".join(path.read_text(encoding="utf-8") for path in sorted(paths))
    # sentences stand in several literals and hold their values in braces
    joined = re.sub(r"""["']\s*\n?\s*f?["']""", "", source)
    plain = re.sub(r"\{[^{}]*\}", "...", joined).lower()
    tables = [table for table in pages.tables("trouble.md") if table.head[0] == "message"]
    assert len(tables) == 7
    cells = [
        cell for table in tables for row in table.rows for cell in re.findall(r"`([^`]+)`", row[0])
    ]
    pieces = {piece.strip(" :;") for cell in cells for piece in re.split(r"\.\.\.", cell)}
    assert [piece for piece in pieces if not _is_said(piece.lower(), plain)] == []


def _is_said(piece: str, plain: str) -> bool:
    """Return whether a message is in the source, as it is or with one word filled in."""
    words = piece.split(" ")
    filled = (" ".join([*words[:i], "...", *words[i + 1 :]]) for i in range(len(words)))
    return piece in plain or any(variant in plain for variant in filled)
