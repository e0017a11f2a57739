"""The command line: what it says of itself, and that the documentation says the same."""

from __future__ import annotations

import importlib
import inspect
import json
import re
from pathlib import Path
from typing import Any

import click
import pytest

from deckwright import errors
from deckwright.cli.main import COMMANDS, cli
from deckwright.engine.passes.executors import WorkerLostError
from deckwright.journal.reader import Journal
from deckwright.plugin.forms import FormConfig
from deckwright.plugin.registry import Registry
from deckwright.service.operate.status import Standing

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")


def command_of(name: str) -> click.Command:
    found: click.Command = importlib.import_module(f"deckwright.cli.commands.{name}").command
    return found


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name, shop) -> None:
    said = shop.say(name, "--help")
    assert said.code == 0
    assert said.err == ""
    assert re.match(rf"Usage: .*\bdeckwright {name}\b", said.out)
    for parameter in command_of(name).params:
        if isinstance(parameter, click.Option):
            assert parameter.opts[0] in said.out
            assert parameter.help or parameter.metavar
    assert shop.say(name, "-h").out == said.out


def test_the_program_lists_its_commands_and_exit_codes(shop) -> None:
    for said in (shop.say("--help"), shop.say("-h")):
        assert said.code == 0
        for name, text in COMMANDS.items():
            assert re.search(rf"^\s+{name}\s+{re.escape(text)}$", said.out, re.MULTILINE)
        listed = " ".join(said.out.partition("Exit codes:")[2].split())
        for code in documented_codes():
            assert re.search(rf"\b{code}\b", listed), code


def test_the_version_is_that_of_the_distribution(shop) -> None:
    from importlib.metadata import version  # noqa: PLC0415 # what is compared

    assert shop.say("--version").out == f"deckwright {version('deckwright')}\n"


def test_an_unknown_command_or_option_is_refused(shop) -> None:
    for arguments in (["nonsense"], ["run", "--nonsense"], ["--nonsense"], ["run"], ["trace"]):
        said = shop.say(*arguments)
        assert said.code == 2
        assert re.fullmatch(r"deckwright: [^\n]+\n", said.err)


def test_the_readme_lists_the_commands_that_there_are() -> None:
    table = README.partition("## Commands")[2].partition("| exit code |")[0]
    listed = re.findall(r"^\| `deckwright (\w+)", table, re.MULTILINE)
    assert sorted(listed) == sorted(COMMANDS)
    assert sorted(COMMANDS) == sorted(cli.list_commands(click.Context(cli)))


def test_the_readme_names_options_that_there_are() -> None:
    table = README.partition("## Commands")[2].partition("| exit code |")[0]
    for row in table.splitlines():
        if found := re.match(r"\| `deckwright (\w+)", row):
            known = {opt for param in command_of(found[1]).params for opt in param.opts}
            for option in re.findall(r"--[a-z-]+", row):
                assert option in known, f"{found[1]} {option}"


def documented_codes() -> set[int]:
    table = README.partition("| exit code | meaning |")[2].partition("\n\n")[0]
    return {int(code) for row in re.findall(r"^\| ([\d, ]+) \|", table, re.MULTILINE)
            for code in row.split(",")}  # fmt: skip


def test_the_readme_lists_the_exit_codes_of_the_errors() -> None:
    classes = [
        kind for _, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, errors.DeckwrightError) and kind is not errors.DeckwrightError
    ]  # fmt: skip
    codes = {kind.exit_code for kind in [*classes, WorkerLostError]}
    codes |= {errors.InterruptedRunError(number).exit_code for number in (2, 15)}
    # an interrupted run has no code but that of its signal
    codes |= set(Standing)
    assert codes | {errors.DeckwrightError.exit_code, 0} == documented_codes()


def test_the_readme_lists_the_stages_and_media_that_come_with_the_program() -> None:
    table = README.partition("## Stages and media")[2].partition("\n\n")[2]
    table = table.partition("\n\n`deckwright stages`")[0]
    stages = re.findall(r"^\| `([a-z-]+)` \|", table, re.MULTILINE)
    registry = Registry()
    own = [k for k in registry.kinds("stages") if registry.stage(k).__module__
           .startswith("deckwright_plugins")]  # fmt: skip
    assert sorted(stages) == sorted(own)
    decode = next(row for row in table.splitlines() if row.startswith("| `decode`"))
    for medium in registry.kinds("media"):
        assert f"`{medium}`" in decode


def test_the_documented_api_is_there() -> None:
    import deckwright  # noqa: PLC0415 # only here

    for name in deckwright.__all__:
        assert getattr(deckwright, name) is not None
    named = re.findall(r"^from deckwright import (\([^)]*\)|.*)$", DEVELOPERS, re.MULTILINE)
    for name in {part for line in named for part in re.findall(r"\w+", line)}:
        assert name in deckwright.__all__
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = deckwright.no_such_name


# schema


def walk(schema: Any, defs: dict[str, Any]) -> None:
    """Check the keywords of a JSON Schema by their form (draft 2020-12, core and validation)."""
    if isinstance(schema, bool):
        return
    assert isinstance(schema, dict)
    if "$ref" in schema:
        assert schema["$ref"].removeprefix("#/$defs/") in defs, schema["$ref"]
    kinds = schema.get("type", [])
    for kind in kinds if isinstance(kinds, list) else [kinds]:
        assert kind in {"object", "array", "string", "integer", "number", "boolean", "null"}
    for name in schema.get("required", []):
        assert name in schema["properties"]
    if "pattern" in schema:
        re.compile(schema["pattern"])
    if "enum" in schema:
        assert len(schema["enum"]) == len(set(schema["enum"]))
    for inner in below(schema):
        walk(inner, defs)


def below(schema: dict[str, Any]) -> list[Any]:
    """Return the schemas within a schema."""
    lists = [schema.get(part, []) for part in ("anyOf", "oneOf", "allOf")]
    assert all(isinstance(part, list) for part in lists)
    found = [inner for part in lists for inner in part]
    found += schema.get("properties", {}).values()
    return found + [schema[part] for part in ("items", "additionalProperties") if part in schema]


def test_the_schemas_are_well_formed_and_hold_every_stage(shop) -> None:
    said = shop.say("schema")
    schemas = json.loads(said.out)
    assert set(schemas) == {"job", "layout", "service"}
    for schema in schemas.values():
        defs = schema.get("$defs", {})
        walk(schema, defs)
        for inner in defs.values():
            walk(inner, defs)
        assert schema["additionalProperties"] is False
    stages = schemas["job"]["properties"]["stage"]["items"]["oneOf"]
    kinds = [stage["properties"]["kind"]["const"] for stage in stages]
    registry = Registry()
    assert sorted(kinds) == sorted(registry.kinds("stages"))
    for kind, stage in zip(kinds, stages, strict=True):
        model = registry.stage(kind).config_model
        names = {info.alias or name for name, info in model.model_fields.items()}
        assert set(stage["properties"]) == {"kind", *names}
        assert all("description" in stage["properties"][name] for name in names)
    emit = stages[kinds.index("emit")]
    forms = emit["properties"]["output"]["items"]["oneOf"]
    assert [form["properties"]["form"]["const"] for form in forms] == registry.kinds("forms")
    assert all(set(form["required"]) >= {"file", "form"} for form in forms)


def test_the_schemas_can_be_written_into_a_folder(shop, tmp_path) -> None:
    said = shop.say("schema", "--out", tmp_path / "new" / "schemas")
    assert said.code == 0
    schemas = json.loads(shop.say("schema").out)
    for name, schema in schemas.items():
        path = tmp_path / "new" / "schemas" / f"{name}.schema.json"
        assert json.loads(path.read_text("utf-8")) == schema
        assert str(path) in said.out


# stages


def every_option(model: Any) -> set[str]:
    """Return the names of all options of a model and of the models in it."""
    schema = model.model_json_schema()
    names = set(schema.get("properties", {}))
    for inner in schema.get("$defs", {}).values():
        names |= set(inner.get("properties", {}))
    return names


@pytest.mark.parametrize("kind", ["decode", "validate", "sort", "merge", "reproduce", "emit"])
def test_the_options_of_a_stage_are_all_listed_and_explained(kind, shop) -> None:
    said = shop.say("stages", kind)
    assert said.code == 0
    model = Registry().stage(kind).config_model
    lines = said.out.splitlines()
    for name in every_option(model):
        place = next(i for i, line in enumerate(lines) if re.match(rf"\s+{name} \(", line))
        indent = len(lines[place]) - len(lines[place].lstrip())
        assert lines[place + 1].startswith(" " * (indent + 4)), f"{name} is not explained"


@pytest.mark.parametrize("kind", ["text", "blocks", "column-binary"])
def test_the_options_of_a_medium_are_all_listed(kind, shop) -> None:
    said = shop.say("stages", kind)
    assert said.code == 0
    for name in every_option(Registry().medium(kind).config_model):
        assert re.search(rf"^\s+{name} \(", said.out, re.MULTILINE)


def test_the_forms_of_an_output_are_told_with_their_options(shop) -> None:
    said = shop.say("stages", "emit").out
    registry = Registry()
    for kind in registry.kinds("forms"):
        alone = shop.say("stages", kind).out
        told = said.partition(f'form = "{kind}": ')[2].partition("\n    form = ")[0]
        assert told
        for name in every_option(registry.form(kind).config_model):
            assert re.search(rf"^\s+{name} \(", alone, re.MULTILINE)
            shared = name in FormConfig.model_fields
            assert shared != bool(re.search(rf"^\s+{name} \(", told, re.MULTILINE)), name
    assert all(re.search(rf"^\s+{name} \(", said, re.MULTILINE) for name in FormConfig.model_fields)


def test_all_kinds_are_listed_with_their_origin(shop) -> None:
    said = re.sub(r"\n {17}", " ", shop.say("stages").out)
    registry = Registry()
    for group in ("stages", "media", "forms"):
        for kind in registry.kinds(group):
            assert re.search(rf"^  {kind}\s+\S.* \(deckwright ", said, re.MULTILINE), kind
    assert "broken" not in said


def test_a_kind_that_is_not_there_is_refused_with_near_names(shop) -> None:
    said = shop.say("stages", "srot")
    assert said.code == 3
    assert "'srot'" in said.err
    assert "did you mean 'sort'" in said.err


# run, trace and journal


@pytest.fixture(scope="module")
def finished(shop, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("finished")
    layout = shop.receipts.replace('columns = "12-30"', 'columns = "12-30"\nseverity = "query"')
    layout += '[[rule]]\nname = "small"\nholds = "amount < 50"\nmessage = "is large"\n'
    layout += 'severity = "query"\n'
    job = shop.job(folder, shop.chain({"kind": "sort", "keys": ["item"]}), {"receipts": layout})
    one = shop.deck(folder / "one.txt", [shop.receipt(3), "0000A00{00{", "", shop.receipt(1)])
    two = shop.deck(folder / "two.txt", [shop.receipt(2, "09999I"), "0000B00100{"])
    said = shop.say("run", job, one, two, "--out", folder / "run")
    assert said.code == 0, said.err
    assert said.out.splitlines()[0] == "6 cards in = 3 out + 2 returned + 1 set aside"
    assert f"  {folder / 'run' / 'out' / 'cards.csv'}: 3 rows" in said.out
    assert f"  control sheet: {folder / 'run' / 'control.html'}" in said.out
    return folder / "run"


def told(shop, *arguments: object) -> list[dict[str, Any]]:
    said = shop.say("journal", *arguments)
    assert said.code == 0, said.err
    return [json.loads(line) for line in said.out.splitlines()]


def test_the_journal_can_be_filtered(finished, shop) -> None:
    everything = told(shop, finished)
    assert everything == sorted(everything, key=lambda e: (e["card"], e["stage"]))
    for card in range(1, 7):
        mine = told(shop, finished, "--card", card)
        assert mine == [event for event in everything if event["card"] == card]
    for stage in range(1, 6):
        mine = told(shop, finished, "--stage", stage)
        assert mine == [event for event in everything if event["stage"] == stage]
    item = told(shop, finished, "--field", "item")
    assert {event["card"] for event in item} == {2, 6}
    digits = told(shop, finished, "--reason", "not-a-digit")
    assert {(event["card"], event["field"]) for event in digits} == {
        (2, "amount"), (2, "item"), (6, "item"),
    }  # fmt: skip
    both = told(shop, finished, "--card", 2, "--field", "item")
    assert [event["event"] for event in both] == ["card_failed"]
    assert both[0]["column"] == 5
    assert told(shop, finished, "--reason", "no-such-reason") == []


def test_the_journal_holds_what_the_log_tells(finished, shop) -> None:
    log = [json.loads(line) for line in (finished / "log.jsonl").read_text("utf-8").splitlines()]
    cards = [{k: v for k, v in event.items() if k != "level"} for event in log if "card" in event]
    # lists, since keys come in the same order too
    assert [[*event.items()] for event in cards] == [
        [*event.items()] for event in told(shop, finished)
    ]


def test_the_history_of_a_card_is_told_stage_by_stage(finished, shop) -> None:
    said = shop.say("trace", finished, 4)
    assert said.out.splitlines() == [
        "card 4 (one.txt, card 4)",
        "  1 decode     unchanged",
        "  2 validate   unchanged",
        "  3 sort       now in place 1",
        "  4 emit       unchanged",
    ]
    said = shop.say("trace", finished, 2)
    last = said.out.splitlines()[-1]
    assert last.startswith("  2 validate   failed not-a-digit: ")
    assert "amount in column" in last
    assert "item in column 5, found '0000A'" in last
    assert last.endswith("; returned")
    assert "set aside (blank)" in shop.say("trace", finished, 3).out
    said = shop.say("trace", finished, "--deck", "two.txt", 1)
    assert said.out.startswith("card 5 (two.txt, card 1)")
    assert "queried rule:small" in said.out


def test_a_delivered_line_leads_to_its_card(finished, shop) -> None:
    lines = (finished / "out" / "cards.csv").read_text("utf-8").splitlines()
    for number, line in enumerate(lines[1:], 2):
        said = shop.say("trace", finished, "--output", "cards.csv", "--line", number)
        assert said.out.startswith(f"card {line.partition(',')[0]} (")
    assert Journal(finished).output_cards("cards.txt").tolist() == [4, 5, 1]


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ([7], "there is no card 7; the run has cards 1 to 6"),
        ([], "give either a card number, or --output FILE with --line N"),
        ([1, "--output", "cards.csv", "--line", 2], "give either"),
        (["--output", "cards.csv"], "give either"),
        (["--output", "cards.csv", "--line", 1], "line 1 of 'cards.csv' is its heading"),
        (["--output", "cards.csv", "--line", 5], "'cards.csv' has no line 5; it has 4 lines"),
        (["--output", "none.csv", "--line", 2], "the run has no output 'none.csv'; it has: cards"),
        ([1, "--deck", "three.txt"], "there is no deck 'three.txt' in this run; "),
        ([5, "--deck", "one.txt"], "there is no card 5 of 'one.txt'; it has 4 cards"),
        ([0], "0"),
    ],
)
def test_what_cannot_be_traced_is_refused_in_a_sentence(arguments, part, finished, shop) -> None:
    said = shop.say("trace", finished, *arguments)
    assert said.code == 2
    assert part in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize("command", [["trace", 1], ["journal"]])
def test_a_folder_that_is_no_run_folder_is_named(command, shop, tmp_path) -> None:
    said = shop.say(command[0], tmp_path, *command[1:])
    assert said.code == 2
    what = "is not a run folder; it holds no journal; name the folder that --out made"
    assert said.err == f"deckwright: {tmp_path}: {what}\n"


@pytest.mark.parametrize("damage", ["", "{", "[]", '{"schema": 2}'])
def test_a_damaged_journal_is_named(damage, shop, tmp_path) -> None:
    (tmp_path / "journal").mkdir()
    (tmp_path / "journal" / "journal.json").write_text(damage, encoding="utf-8")
    said = shop.say("trace", tmp_path, 1)
    assert said.code == 2, said
    assert str(tmp_path) in said.err


def test_the_first_job_of_the_readme_runs_as_it_says(shop, tmp_path, monkeypatch) -> None:
    blocks = re.findall(r"```(toml|text|console)\n(.*?)```", README, re.DOTALL)
    job, layout = [text for kind, text in blocks if kind == "toml"][:2]
    deck = next(text for kind, text in blocks if kind == "text")
    commands = next(text for kind, text in blocks if kind == "console" and "first.toml" in text)
    (tmp_path / "first.toml").write_text(job, encoding="utf-8")
    (tmp_path / "receipt.toml").write_text(layout, encoding="utf-8")
    (tmp_path / "receipts.txt").write_text(deck, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for line in commands.splitlines():
        said = shop.say(*line.split()[1:])
        assert said.code == 0, said.err
    assert "returned" in said.out
    run = tmp_path / "receipts-run"
    assert (run / "returned" / "receipts.txt").read_text("utf-8") == deck.splitlines()[2] + "\n"
    reasons = (run / "returned" / "reasons.csv").read_text("utf-8")
    assert reasons.splitlines()[1].startswith("3,receipts.txt,3,1,2,not-a-digit,item,1,7,3,")
    kept = ["out", "returned", "control.html", "control.json", "journal", "log.jsonl", "config",
            "manifest.json"]  # fmt: skip
    assert all((run / name).exists() for name in kept)
    repaired = tmp_path / "again.txt"
    repaired.write_text(deck.splitlines()[2].replace("X", "1") + "\n", encoding="utf-8")
    said = shop.say("run", "first.toml", repaired, "--out", "again")
    assert said.out.startswith("1 cards in = 1 out + 0 returned + 0 set aside")


def test_the_kinds_of_a_plugin_in_one_file_are_listed_with_their_options(shop, tmp_path) -> None:
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", guide, re.DOTALL)
    for kind in ("doubtful", "bell"):
        (block,) = (b for b in blocks if f'kind = "{kind}"' in b and "@hookimpl" in b)
        (tmp_path / f"{kind}.py").write_text(block, encoding="utf-8")
        plugin = ("--plugin", tmp_path / f"{kind}.py")
        listed = shop.say("stages", *plugin).out
        assert re.search(rf"^  {kind} +\S", listed, re.MULTILINE)
        said = shop.say("stages", kind, *plugin)
        assert said.code == 0
        assert said.out.startswith(f"{kind} ({kind}.py): ")
    said = shop.say("stages", "doubtful", "--plugin", tmp_path / "none.py")
    assert said.code == 3
    assert "there is no such Python file" in said.err
