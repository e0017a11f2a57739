"""What the pages show is so: blocks load, commands exist, decks come out as they say."""

from __future__ import annotations

import importlib
import importlib.util
import json
import re
import shlex
import sys
import tomllib

import numpy as np
import polars as pl
import pytest

from deckwright.cards.codes import load_code
from deckwright.cli.main import COMMANDS
from deckwright.engine.planning.configs import read_layout
from deckwright.engine.planning.plan import load_plan
from deckwright.engine.run import run_job
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.reading import Layout

PAGES = [
    "README.md", "DEVELOPERS.md", "boxes.md", "codes.md", "drawing.md", "first-run.md", "forms.md",
    "job.md", "layout.md", "plugins.md", "run-folder.md", "service.md", "stages.md",
    "strange-deck.md", "survey.md", "trouble.md",
]  # fmt: skip
each_page = pytest.mark.parametrize("page", PAGES)


def test_the_guide_has_no_other_pages(pages) -> None:
    assert [page for page in PAGES if page.islower()] == pages.guide()


def test_the_guide_is_listed_and_shown_by_the_command(pages, shop) -> None:
    listed = shop.say("guide").out.splitlines()
    assert [line.split()[0] for line in listed] == [
        page.removesuffix(".md") for page in pages.guide()
    ]
    for page in pages.guide():
        assert re.match(r"# \S.*\n", pages.text(page))
        assert shop.say("guide", page.removesuffix(".md")).code == 0


@each_page
def test_every_toml_block_parses(pages, page) -> None:
    for block in pages.blocks(page, "toml"):
        assert tomllib.loads(block)


@each_page
def test_every_named_block_loads_as_what_it_is(pages, page, tmp_path) -> None:
    named = pages.named(page)
    for name, block in named.items():
        (tmp_path / name).write_text(block, encoding="utf-8")
    for name, block in named.items():
        tables = tomllib.loads(block)
        if "stage" in tables:
            steps = len(tables["stage"]) + ("deck" in tables)  # decks come in place of a stage
            assert len(load_plan(tmp_path / name).steps) == steps
        elif "holes" in tables:
            code = load_code(name.removesuffix(".toml"), [tmp_path])
            assert set(tables["holes"]) <= set(code.alphabet.characters)
        else:
            assert read_layout(tmp_path / name, name.removesuffix(".toml")).field_names


@each_page
def test_every_whole_job_or_layout_begins_with_the_name_of_its_file(pages, page) -> None:
    for block in pages.blocks(page, "toml"):
        whole = "title" in tomllib.loads(block)
        assert whole == (block in pages.named(page).values()), block


@each_page
def test_every_command_and_option_that_is_shown_exists(pages, page) -> None:
    inline = re.findall(r"`deckwright ([a-z][^`\n]*)`", pages.text(page))
    shown = re.findall(r"deckwright ([a-z].*)", "\n".join(pages.blocks(page, "console")))
    for line in inline + shown:
        words = shlex.split(line)
        assert words[0] in COMMANDS, line
        command = importlib.import_module(f"deckwright.cli.commands.{words[0]}").command
        options = {option for one in command.params for option in one.opts}
        used = {word.strip("[]") for word in words if word.strip("[]").startswith("--")}
        assert used <= options, line


def readme_example(pages, folder):
    """Write the example of the README; return job and deck."""
    for name, block in pages.named("README.md").items():
        (folder / name).write_text(block, encoding="utf-8")
    deck = folder / "receipts.txt"
    deck.write_text(pages.blocks("README.md", "text")[0], encoding="utf-8")
    return folder / "first.toml", deck


def test_the_example_of_the_readme_comes_out_as_it_says(pages, tmp_path, shop) -> None:
    job, deck = readme_example(pages, tmp_path)
    run = tmp_path / "receipts-run"
    assert shop.say("check", job).code == 0
    assert shop.say("run", job, deck, "--out", run).code == 0
    third = deck.read_bytes().splitlines(keepends=True)[2]
    assert (run / "returned" / "receipts.txt").read_bytes() == third
    reasons = pl.read_csv(run / "returned" / "reasons.csv")
    assert reasons.select("card", "field", "column", "reason").rows() == [
        (3, "item", 3, "not-a-digit")
    ]
    assert "column 3" in shop.say("trace", run, 3).out
    # `{` is a plus zero in the units (ISO 6586: 12-0), and a plain digit is plus too
    assert (run / "out" / "receipts.csv").read_text(encoding="utf-8").splitlines() == [
        "card,item,amount",
        "2,0000207,0.50",
        "1,0000412,12.50",
    ]
    repaired = tmp_path / "receipts-2.txt"
    repaired.write_bytes(third.replace(b"X", b"0"))
    assert run_job(job, [repaired], tmp_path / "again").delivered == 1


def test_the_run_folder_of_the_readme_holds_what_its_table_says(pages, eventful) -> None:
    table = next(t for t in pages.tables("README.md") if t.heading == "What comes out")
    said = {name.strip("/") for row in table.rows for name in re.findall(r"`([^`]+)`", row[0])}
    assert said == {path.name for path in eventful.folder.iterdir()}


def developers_plugin(pages) -> tuple[str, str]:
    """Return name and text of the first plugin in DEVELOPERS."""
    name = re.search(r"beside your job as `(\w+\.py)`", pages.text("DEVELOPERS.md"))
    assert name is not None
    return name[1], pages.blocks("DEVELOPERS.md", "python")[0]


def test_the_first_plugin_queries_doubtful_amounts(pages, tmp_path, shop) -> None:
    job, deck = readme_example(pages, tmp_path)
    name, text = developers_plugin(pages)
    (tmp_path / name).write_text(text, encoding="utf-8")
    first, _, stage = pages.blocks("DEVELOPERS.md", "toml")[0].partition("\n\n")
    before, sort, after = job.read_text(encoding="utf-8").partition('[[stage]]\nkind = "sort"')
    job.write_text(f"{first}\n{before}{stage}\n{sort}{after}", encoding="utf-8")
    deck.write_text("0000412100000\n0000207100001\n000020709999I\n", encoding="utf-8")
    said = shop.say("check", job)
    assert (said.code, name in said.out) == (0, True)
    outcome = run_job(job, [deck], tmp_path / "run")
    assert outcome.delivered == 3
    queries = pl.read_csv(outcome.folder / "queries.csv")
    assert queries.select("card", "reason", "field").rows() == [(2, "doubtful", "amount")]
    sheet = (outcome.folder / "control.html").read_text(encoding="utf-8")
    assert "is above 1000.00, please look at the document" in sheet
    assert (outcome.folder / "config" / "plugins" / name).read_text(encoding="utf-8") == text


def test_the_plugin_block_can_send_cards_back_too(pages, tmp_path) -> None:
    job, deck = readme_example(pages, tmp_path)
    name, text = developers_plugin(pages)
    back = 'return book.give_back(tray, above, "doubtful", field=self.config.field, detail=detail)'
    assert 'return book.give_back(tray, above, "doubtful"' in pages.text("DEVELOPERS.md")
    queried = re.search(r"book\.fault\(.*?\)\n        return tray", text, re.DOTALL)
    assert queried is not None
    (tmp_path / name).write_text(text.replace(queried[0], back), encoding="utf-8")
    tables = f'plugins = ["{name}"]\n' + job.read_text(encoding="utf-8")
    stage = '[[stage]]\nkind = "doubtful"\nfield = "amount"\nlimit = 5\n\n'
    emit = '[[stage]]\nkind = "emit"'
    job.write_text(tables.replace(emit, stage + emit), encoding="utf-8")
    outcome = run_job(job, [deck], tmp_path / "run")
    assert (outcome.returned, outcome.delivered) == (2, 1)


def test_the_contract_example_passes_beside_its_plugin(pages, tmp_path, monkeypatch) -> None:
    name, text = developers_plugin(pages)
    (tmp_path / name).write_text(text, encoding="utf-8")
    module = tmp_path / "test_doubtful.py"
    blocks = pages.blocks("DEVELOPERS.md", "python")
    module.write_text(next(each for each in blocks if "StageContract" in each), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    spec = importlib.util.spec_from_file_location("test_doubtful", module)
    assert spec is not None
    loaded = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "test_doubtful", loaded)
    spec.loader.exec_module(loaded)
    suite = loaded.TestDoubtful()
    tests = [each for each in dir(suite) if each.startswith("test_")]
    assert len(tests) > 3
    for number, each in enumerate(tests):
        (tmp_path / str(number)).mkdir()
        getattr(suite, each)(tmp_path / str(number))


def test_the_stage_that_keeps_a_master_is_the_one_that_the_tests_of_the_service_run(pages) -> None:
    plugin = pages.root / "tests" / "service" / "house_plugins" / "post.py"
    assert plugin.read_text(encoding="utf-8") in pages.blocks("DEVELOPERS.md", "python")


def test_the_first_run_of_the_guide_comes_out_as_it_says(pages, tmp_path) -> None:
    for name, block in pages.named("first-run.md").items():
        (tmp_path / name).write_text(block, encoding="utf-8")
    deck, account = pages.blocks("first-run.md", "text")
    (tmp_path / "month.txt").write_text(deck, encoding="utf-8")
    job = tmp_path / "month.toml"
    first = run_job(job, [tmp_path / "month.txt"], tmp_path / "month-run")
    said = f"{first.cards} cards in = {first.delivered} out + {first.returned} returned"
    assert account.strip() == f"{said} + {first.set_aside} set aside"
    reasons = pl.read_csv(first.folder / "returned" / "reasons.csv")
    assert reasons["place_in_returned_deck"].to_list() == [1, 2]
    returned = (first.folder / "returned" / "month.txt").read_text(encoding="utf-8")
    repaired = returned.replace("  12", "0012").replace("570230", "570303")
    (tmp_path / "month-2.txt").write_text(repaired, encoding="utf-8")
    second = run_job(job, [tmp_path / "month-2.txt"], tmp_path / "month-run-2")
    assert (second.delivered, second.returned) == (2, 0)


def test_what_the_run_folder_page_reads_with_python_is_there(pages, eventful, capsys) -> None:
    code = pages.blocks("run-folder.md", "python")[0]
    exec(code.replace("month-run", str(eventful.folder)))  # noqa: S102 # a block of the page
    assert "not-a-digit" in capsys.readouterr().out


def field_layout(options: str) -> Layout:
    """Return the layout of one field `field` of some options."""
    spec = LayoutSpec.model_validate(tomllib.loads(f'[[field]]\nname = "field"\n{options}'))
    assert layout_problems(spec) == []
    return Layout(spec, "example")


def reading(options: str, punched: str) -> tuple[str | None, str]:
    """Return the value of a field (None: missing), and its fault as the pages say it."""
    layout = field_layout(options)
    text = np.array([list(punched.ljust(80).encode("ascii"))], np.uint8)
    values, faults = layout.check(text)
    found = values["field"]
    fault = ""
    if faults:
        column = faults[0].column
        where = "" if column is None else f" in column {column[0]}"
        fault = f"fault `{faults[0].reason}`{where}"
    if not found.present()[0]:
        return None, fault
    if found.kind == "date":
        return str(np.datetime64(int(found.data[0]), "D")), fault
    if found.kind == "text":
        return bytes(found.data[0].astype(np.uint8)).decode(), fault
    sign = "-" if found.data[0] < 0 else ""
    size = str(abs(int(found.data[0]))).zfill(found.scale + 1)
    return sign + (f"{size[:-2]}.{size[-2:]}" if found.scale else size), fault


def test_the_worked_examples_of_signs_come_out_as_they_say(pages) -> None:
    table = pages.table("layout.md", "Signs and overpunch", "punched", "sign")
    for punched, sign, value in table.rows:
        options = f'columns = "1-5"\nkind = "decimal"\ndecimals = 2\nsign = "{sign.strip("`")}"'
        read, fault = reading(options, punched.strip("`"))
        assert (read or fault) == value, punched
    assert len(table.rows) > 10


def test_the_table_of_overpunches_is_that_of_the_program(pages) -> None:
    table = pages.table("layout.md", "Signs and overpunch", "digit")
    for row, mark in zip(table.rows, ("", "-"), strict=True):
        for digit, cell in zip(table.head[1:], row[1:], strict=True):
            options = 'columns = "1-2"\nkind = "whole"\nsign = "overpunch-right"'
            assert reading(options, f"1{cell.strip('`')}") == (f"{mark}1{digit}", "")


def test_the_worked_examples_of_flags_come_out_as_they_say(pages) -> None:
    option = next(b for b in pages.blocks("layout.md", "toml") if b.startswith("overpunch"))
    layout = field_layout(f'columns = "1-5"\nkind = "whole"\n{option}')
    for punched, value, flag in pages.table("layout.md", "Flags by overpunch", "punched").rows:
        text = np.array([list(punched.strip("`").ljust(80).encode())], np.uint8)
        values = layout.read(text)
        assert str(values["field"].data[0]) == value
        word = bytes(values["field_flag"].data[0].astype(np.uint8)).decode().strip()
        assert (word or "empty") == flag.strip("`")


def test_the_worked_examples_of_dates_come_out_as_they_say(pages) -> None:
    first = "1957-03-01"
    for form, columns, punched, value in pages.table("layout.md", "Dates", "`form`").rows:
        options = f'columns = "1-{columns}"\nkind = "date"\nform = "{form.strip("`")}"'
        assert reading(options, punched.strip("`")) == (first, "")
        assert value.startswith((first, "the same"))


@pytest.mark.parametrize(
    ("options", "punched", "value", "fault"),
    [
        ('blank = "missing"', "     ", None, ""),
        ('blank = "zero"', "     ", "0", ""),
        ('blank = "error"', "     ", None, "fault `blank`"),
        ('blank = "zero"', "00000", "0", ""),
        ("", "00000", "0", ""),
        ('fill = " "', "    -", None, "fault `zone-alone` in column 5"),
        ('fill = " "', "    &", None, "fault `zone-alone` in column 5"),
        ('overpunch = { "11" = "trace" }\nzone_alone = "flag"', "    -", None, ""),
        ('fill = "0"', "  125", None, "fault `leading-blank` in column 1"),
        ('fill = " "', "  125", "125", ""),
        ('fill = "0"', "12 45", None, "fault `not-a-digit` in column 3"),
        ('fill = " "\njustify = "left"', "125  ", "125", ""),
    ],
)
def test_blank_zero_and_a_zone_alone_stay_as_distinct_as_the_page_says(
    options, punched, value, fault
) -> None:
    assert reading(f'columns = "1-5"\nkind = "whole"\n{options}', punched) == (value, fault)


def test_repeated_fields_stand_where_the_page_says(pages) -> None:
    block = next(b for b in pages.blocks("layout.md", "toml") if "repeat" in b)
    spec = LayoutSpec.model_validate(tomllib.loads(block))
    fields = spec.card_fields()[0][1]
    shown = f"`{fields[0].name}` in {fields[0].columns} to `{fields[-1].name}` in "
    text = " ".join(pages.text("layout.md").split())
    assert shown + fields[-1].columns in text


def test_the_faults_of_the_page_on_trouble_are_said_so(pages, tmp_path, shop) -> None:
    for name, block in pages.named("first-run.md").items():
        (tmp_path / name).write_text(block, encoding="utf-8")
    job = tmp_path / "month.toml"
    job.write_text(job.read_text(encoding="utf-8").replace("layout =", "layuot ="), "utf-8")
    shown = pages.blocks("trouble.md", "text")[0].strip().partition("month.toml:")[2]
    said = shop.say("check", job)
    assert said.code == 2
    sentence = re.sub(r"^\d+", "", shown)
    assert sentence in said.err


def test_the_manifest_of_a_run_names_every_file_but_itself(eventful, shop) -> None:
    manifest = json.loads((eventful.folder / "manifest.json").read_text(encoding="utf-8"))
    sums = shop.sums(eventful.folder)
    del sums["manifest.json"]
    assert {file["name"]: file["sha256"] for file in manifest["files"]} == sums
