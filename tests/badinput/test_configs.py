"""Config files with faults: each is named with file and line, and all at once."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

JOB = """title = "Faulty"

[files]
depots = "depots.csv"

[[stage]]
kind = "decode"
medium = { kind = "text" }

[[stage]]
kind = "validate"
layout = "receipts"

[[stage]]
kind = "sort"
keys = ["item"]

[[stage]]
kind = "merge"
master = "depots"
match = { item = "item" }
take = { name = "name" }

[[stage]]
kind = "emit"

[[stage.output]]
file = "cards.csv"
form = "csv"
columns = ["card", "item"]
"""
LAYOUT = """title = "Receipts"

[[field]]
name = "item"
columns = "1-5"
kind = "digits"

[[field]]
name = "amount"
columns = "6-11"
kind = "decimal"
decimals = 2

[[rule]]
name = "not-too-much"
holds = "amount < 1000"
message = "is too much"
"""

# file, old text, new text, text of the line that is named, parts of the sentence
FAULTS: dict[str, tuple[str, str, str, str, list[str]]] = {
    "unknown-key": ("job", 'layout = "receipts"', 'layuot = "receipts"', "layuot =",
                    ["unknown key 'layuot'", "did you mean 'layout'", "stage 2 (validate)"]),
    "unknown-top-key": ("job", 'title = "Faulty"', 'title = "F"\nmemmory = "1 GiB"', "memmory =",
                        ["unknown key 'memmory'", "did you mean 'memory'"]),
    "wrong-type": ("job", 'keys = ["item"]', 'keys = "item"', "keys =", ["stage 3 (sort)", "keys",
                                                                      "list"]),
    "wrong-type-below": ("job", 'keys = ["item"]', "keys = [{ field = 3 }]", "keys =",
                         ["stage 3 (sort)", "keys"]),
    "wrong-choice": ("job", 'form = "csv"', 'form = "cvs"', "form =", ["stage 5 (emit)", "'csv'"]),
    "missing-title": ("job", 'title = "Faulty"', "", "", ["the key 'title' is missing"]),
    "missing-option": ("job", 'layout = "receipts"', "", "[[stage]]",
                       ["the key 'layout' is missing", "stage 2 (validate)"]),
    "missing-kind": ("job", 'kind = "sort"', "", "[[stage]]", ["stage 3", "'kind' is missing",
                                                            "decode, emit, merge"]),
    "unknown-kind": ("job", 'kind = "sort"', 'kind = "sotr"', "kind =",
                     ["stage 3", "there is no stage", "'sotr'", "did you mean 'sort'"]),
    "unknown-medium": ("job", '{ kind = "text" }', '{ kind = "tape" }', "medium =",
                       ["stage 1", "'tape'"]),
    "unknown-medium-key": ("job", '{ kind = "text" }', '{ kind = "text", cod = "ascii" }',
                           "medium =", ["stage 1 (decode)", "'cod'"]),
    "unknown-code": ("job", '{ kind = "text" }', '{ kind = "text", code = "lattin-1" }', "medium =",
                     ["stage 1 (decode)", "unknown code 'lattin-1'"]),
    "code-of-several-bytes": ("job", '{ kind = "text" }', '{ kind = "text", code = "utf-8" }',
                              "medium =", ["stage 1 (decode)", "utf-8", "single-byte code"]),
    "code-without-holes": ("job", '{ kind = "text" }', '{ kind = "text", code = "scientific-48" }',
                           "medium =", ["stage 1 (decode)", "'scientific-48' has holes but no"]),
    "missing-layout": ("job", 'layout = "receipts"', 'layout = "reciepts"', "layout =",
                       ["there is no layout 'reciepts'", "did you mean 'receipts'"]),
    "no-such-sort-key": ("job", 'keys = ["item"]', 'keys = ["itme"]', "keys =",
                         ["stage 3 (sort)", "unknown field 'itme'", "did you mean 'item'"]),
    "sequence-for-a-number": ("job", 'keys = ["item"]',
                              'keys = [{ field = "amount", collate = "ebcdic" }]', "keys =",
                              ["stage 3 (sort)", "'amount' is not a text"]),
    "no-such-file-name": ("job", 'master = "depots"', 'master = "depot"', "master =",
                          ["stage 4 (merge)", "unknown file 'depot'", "did you mean 'depots'"]),
    "master-not-there": ("job", 'depots = "depots.csv"', 'depots = "depot.csv"', "master =",
                         ["stage 4 (merge)", "there is no file", "depot.csv"]),
    "no-such-master-column": ("job", '{ name = "name" }', '{ name = "nane" }', "take =",
                              ["stage 4 (merge)", "unknown column of master 'depots' 'nane'",
                               "did you mean 'name'"]),
    "taken-name-there-already": ("job", '{ name = "name" }', '{ amount = "name" }', "take =",
                                 ["stage 4 (merge)", "'amount' already"]),
    "no-such-output-field": ("job", '["card", "item"]', '["card", "items"]', "columns =",
                             ["stage 5 (emit)", "unknown field 'items'", "did you mean 'item'"]),
    "bad-where": ("job", 'form = "csv"', 'form = "csv"\nwhere = "item = = 3"', "where =",
                  ["stage 5 (emit)", "does not parse"]),
    "where-over-no-field": ("job", 'form = "csv"', 'form = "csv"\nwhere = "itm = 3"', "where =",
                            ["stage 5 (emit)", "unknown field 'itm'"]),
    "file-outside": ("job", 'file = "cards.csv"', 'file = "../cards.csv"', "file =",
                     ["stage 5 (emit)", "file"]),
    "bad-memory": ("job", 'title = "Faulty"', 'title = "F"\nmemory = "much"', "memory =",
                   ["memory", "256 MiB"]),
    "not-toml": ("job", 'kind = "sort"', "kind = sort", "kind = sort", ["is not valid TOML"]),
    "decode-not-first": ("job", '[[stage]]\nkind = "decode"\nmedium = { kind = "text" }\n', "",
                         "[[stage]]", ["stage 1 (validate): the chain must begin with decode"]),
    "layout-unknown-key": ("layout", "decimals = 2", "decimal = 2", "decimal =",
                           ["unknown key 'decimal'", "did you mean"]),
    "layout-wrong-kind": ("layout", 'kind = "decimal"', 'kind = "decimals"', 'kind = "decimals"',
                          ["kind", "'decimal'"]),
    "layout-wrong-type": ("layout", "decimals = 2", 'decimals = "two"', "decimals =",
                          ["decimals", "'two'"]),
    "layout-same-field": ("layout", 'name = "amount"', 'name = "item"', 'name = "item"',
                          ["there are two fields 'item'"]),
    "layout-overlap": ("layout", 'columns = "6-11"', 'columns = "5-11"', 'columns = "5-11"',
                       ["overlap field 'item'"]),
    "layout-beyond": ("layout", 'columns = "6-11"', 'columns = "76-81"', 'columns = "76-81"',
                      ["columns 76-81 end beyond the 80 columns"]),
    "layout-backwards": ("layout", 'columns = "6-11"', 'columns = "11-6"', 'columns = "11-6"',
                         ["columns", "6-11"]),
    "layout-bad-expression": ("layout", "amount < 1000", "amount < < 1000", "holds =",
                              ["does not parse"]),
    "layout-expression-over-no-field": ("layout", "amount < 1000", "amont < 1000", "holds =",
                                        ["unknown field 'amont'", "did you mean 'amount'"]),
    "layout-expression-of-wrong-type": ("layout", "amount < 1000", "amount + 1", "holds =",
                                        ["true or false"]),
    "layout-expression-over-cards": ("layout", "amount < 1000", "amount < SUM(amount)", "holds =",
                                     ["SUM needs more than one card"]),
    "layout-expression-with-a-clock": ("layout", "amount < 1000", "CURRENT_DATE IS NOT NULL",
                                       "holds =", ["CURRENT_DATE depends on the day"]),
    "layout-not-toml": ("layout", 'name = "item"', "name = item", "name = item",
                        ["is not valid TOML"]),
    "layout-reserved-name": ("layout", 'name = "amount"', 'name = "card"', 'name = "card"',
                             ["'card' is reserved"]),
}  # fmt: skip


@pytest.fixture
def config(tmp_path) -> Callable[..., tuple[str, str]]:
    """Return a writer of job and layout with replacements made."""

    def write(*changes: tuple[str, str, str]) -> tuple[str, str]:
        texts = {"job": JOB, "layout": LAYOUT}
        for file, old, new in changes:
            assert texts[file].count(old) >= 1, old
            texts[file] = texts[file].replace(old, new, 1)
        (tmp_path / "job.toml").write_text(texts["job"], encoding="utf-8")
        (tmp_path / "receipts.toml").write_text(texts["layout"], encoding="utf-8")
        (tmp_path / "depots.csv").write_text("item,name\n00001,North\n", encoding="utf-8")
        return texts["job"], texts["layout"]

    return write


def test_the_config_without_faults_passes(config, tmp_path, shop) -> None:
    config()
    said = shop.say("check", tmp_path / "job.toml")
    assert (said.code, said.err) == (0, "")
    assert "Faulty" in said.out
    for number, kind in enumerate(["decode", "validate", "sort", "merge", "emit"], 1):
        assert f"  {number} {kind}" in said.out
    assert "2 passes" in said.out


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_with_file_line_and_what_would_do(name, config, tmp_path, shop) -> None:
    file, old, new, line, parts = FAULTS[name]
    texts = dict(zip(("job", "layout"), config((file, old, new)), strict=True))
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code == 2, said
    assert said.out == ""
    told = said.err.splitlines()
    assert all(text.startswith("deckwright: ") for text in told)
    path = tmp_path / ("job.toml" if file == "job" else "receipts.toml")
    found = [re.match(rf"deckwright: {re.escape(str(path))}:(?:(\d+):)? (.*)", t) for t in told]
    mine = [match for match in found if match and all(part in match[2] for part in parts)]
    assert mine, said.err
    if line:
        lines = texts[file].splitlines()
        assert lines[int(mine[0][1]) - 1].startswith(line), said.err
    assert not mine[0][2].endswith(".")
    # a run says the same, and makes nothing
    deck = shop.deck(tmp_path / "d.txt", ["0000100100"])
    run = shop.say("run", tmp_path / "job.toml", deck, "--out", tmp_path / "run")
    assert (run.code, run.err) == (2, said.err)
    assert not (tmp_path / "run").exists()


def test_all_faults_of_job_and_layout_are_named_at_once(config, tmp_path, shop) -> None:
    names = ["unknown-top-key", "unknown-key", "wrong-type", "no-such-file-name", "wrong-choice"]
    config(*[FAULTS[name][:3] for name in names if name != "unknown-top-key"])
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code == 2
    for name in names[1:]:
        assert all(part in said.err for part in FAULTS[name][4]), (name, said.err)
    names = ["layout-overlap", "layout-bad-expression"]
    changes = [FAULTS[name][:3] for name in names]
    config(*changes, ("layout", 'kind = "digits"', 'kind = "date"'), FAULTS["wrong-type"][:3])
    said = shop.say("check", tmp_path / "job.toml")
    for name in [*names, "wrong-type"]:
        assert all(part in said.err for part in FAULTS[name][4]), (name, said.err)
    assert "form" in said.err


def test_a_job_that_is_not_there_is_named(tmp_path, shop) -> None:
    said = shop.say("check", tmp_path / "none.toml")
    assert said.code == 2
    assert said.err == (f"deckwright: {tmp_path / 'none.toml'}: does not exist; correct the path\n")


def test_a_job_that_is_not_text_is_named(tmp_path, shop) -> None:
    (tmp_path / "job.toml").write_bytes(b'title = "x"\n# \xe5\n')
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code == 2
    assert f"{tmp_path / 'job.toml'}:2: is not UTF-8 text" in said.err


def test_a_job_with_windows_line_ends_is_read_and_its_lines_are_counted(
    config, tmp_path, shop
) -> None:
    job, _ = config(FAULTS["no-such-sort-key"][:3])
    (tmp_path / "job.toml").write_bytes(job.replace("\n", "\r\n").encode())
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code == 2
    line = job.splitlines().index('keys = ["itme"]') + 1
    assert f"job.toml:{line}: " in said.err


def test_a_plugin_file_that_is_not_there_is_named(config, tmp_path, shop) -> None:
    config(("job", 'title = "Faulty"', 'title = "F"\nplugins = ["mine.py"]'))
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code in {2, 3}
    assert "mine" in said.err
    assert "there is no such Python file" in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("import no_such_module_of_anyone\n", "ModuleNotFoundError"),
        ("def broken(:\n", "SyntaxError"),
        ("raise RuntimeError('at import')\n", "at import"),
    ],
)
def test_a_plugin_file_that_cannot_be_imported_is_named(text, part, config, tmp_path, shop) -> None:
    config(("job", 'title = "Faulty"', 'title = "F"\nplugins = ["mine.py"]'))
    (tmp_path / "mine.py").write_text(text, encoding="utf-8")
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code == 3
    assert "plugin 'mine' of mine.py cannot be loaded" in said.err
    assert part in said.err
    assert "Traceback" not in said.err


def test_a_plugin_file_may_not_bring_a_kind_that_is_there(config, tmp_path, shop) -> None:
    config(("job", 'title = "Faulty"', 'title = "F"\nplugins = ["mine.py"]'))
    (tmp_path / "mine.py").write_text(
        "from deckwright import StageConfig, TrayStage, hookimpl\n\n"
        "class C(StageConfig):\n    pass\n\n"
        "class S(TrayStage[C]):\n    kind = 'sort'\n\n"
        "    def run(self, tray, book):\n        return tray\n\n"
        "@hookimpl\ndef deckwright_stages():\n    return [S]\n",
        encoding="utf-8",
    )
    said = shop.say("check", tmp_path / "job.toml")
    assert said.code == 3, said
    assert "'sort'" in said.err
    assert "mine.py" in said.err
    assert "deckwright" in said.err.removeprefix("deckwright: ")


def test_a_replaced_file_that_the_job_does_not_name_is_refused(config, tmp_path, shop) -> None:
    config()
    said = shop.say("check", tmp_path / "job.toml", "--with", "depot=x.csv")
    assert said.code == 2
    assert "unknown file 'depot'; did you mean 'depots'" in said.err
    said = shop.say("check", tmp_path / "job.toml", "--with", "depots")
    assert said.code == 2
    assert "--with takes NAME=PATH, not 'depots'" in said.err


def test_two_stages_may_not_write_one_file(shop, tmp_path) -> None:
    chain = shop.chain()
    job = shop.job(tmp_path, [*chain, chain[-1]])
    said = shop.say("check", job)
    assert said.code == 2
    assert f"stage {len(chain) + 1} (emit): file " in said.err
    assert "is written twice" in said.err
    assert f"{job}:" in said.err
