"""Mistakes as people make them: each ends in one line that says what, where and what to do."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
CODES = {
    int(code)
    for row in re.findall(r"^\| ([\d, ]+) \|", README.partition("| exit code |")[2], re.MULTILINE)
    for code in row.split(",")
}

CARDS = [f"{number:05}00100{{" for number in range(1, 20)] + ["0X04100100{"]

# what is typed, the exit code, and what the one line must say
MISTAKES: dict[str, tuple[str, int, list[str]]] = {
    # commands and options
    "no such command": ("rnu job.toml cards.txt -o r", 2, ["'rnu'", "did you mean 'run'?"]),
    "command far from all": ("frobnicate", 2, ["'frobnicate'", "deckwright --help"]),
    "command in capitals": ("RUN job.toml", 2, ["did you mean 'run'?"]),
    "option of the program": ("--vers", 2, ["--version"]),
    "option misspelt": ("run job.toml cards.txt --ouput r", 2, ["--ouput", "'--out'"]),
    "option far from all": ("check job.toml --zzz", 2, ["--zzz", "deckwright check --help"]),
    "no job": ("run", 2, ["JOB is missing", "usage: deckwright run"]),
    "no deck": ("run job.toml -o r", 2, ["DECK", "is missing"]),
    "no out": ("run job.toml cards.txt", 2, ["--out is missing"]),
    "out without a value": ("run job.toml cards.txt --out", 2, ["--out needs a value"]),
    "too many arguments": ("check job.toml cards.txt", 2, ["'cards.txt' is too much", "usage"]),
    "no workers": ("run job.toml cards.txt -o r -w 0", 2, ["--workers", "from 1 to 256", "'0'"]),
    "workers in words": ("run job.toml cards.txt -o r -w two", 2, ["whole number", "'two'"]),
    "with without a path": (
        "run job.toml cards.txt -o r --with depot", 2, ["NAME=PATH", "'depot'"],
    ),
    "with of no such name": ("check job.toml --with depot=x.csv", 2, ["unknown file 'depot'"]),
    # files
    "no such job": ("check jobb.toml", 2, ["jobb.toml", "does not exist"]),
    "no such deck": ("run job.toml card.txt -o r", 4, ["'card.txt'", "does not exist"]),
    "deck and job swapped": ("run cards.txt job.toml -o r", 2, ["cards.txt", "is not valid TOML"]),
    "layout for a job": ("check receipts.toml", 2, ["receipts.toml", "is a layout"]),
    "folder for a job": ("check afolder", 2, ["afolder", "is a folder"]),
    "folder for a deck": ("run job.toml afolder -o r", 4, ["afolder", "is a folder"]),
    "binary for a job": ("check binary.bin", 2, ["binary.bin", "is not UTF-8 text"]),
    "empty deck": ("run job.toml empty.txt -o r", 4, ["'empty.txt'", "holds no cards"]),
    "empty job": ("check empty.txt", 2, ["empty.txt", "is no job"]),
    "binary for a text deck": ("run job.toml binary.bin -o r", 4, ["6 of 6 cards failed"]),
    "deck that is a link to nowhere": ("run job.toml dangling -o r", 4, ["dangling"]),
    "deck that is a device": ("run job.toml /dev/null -o r", 4, ["/dev/null"]),
    "blocks that do not divide": ("run blocks.toml cut.blk -o r", 4, ["ends inside card 2"]),
    "no name for a job": ("check ''", 2, ["JOB: should be the name of a file or folder", "''"]),
    "no name for a deck": ("run job.toml '' -o r", 2, ["DECK: should be the name of a file"]),
    # where it goes
    "no name for out": ("run job.toml cards.txt -o ''", 2, ["--out: should be the name of a"]),
    "run folder there already": ("run job.toml cards.txt -o run", 73, ["run", "exists already"]),
    "out in the deck": (
        "run pictures.toml afolder -o afolder/r", 73, ["lies in the deck 'afolder'"],
    ),
    "out is a file": ("run job.toml cards.txt -o cards.txt", 73, ["cards.txt", "exists already"]),
    "out below a file": ("run job.toml cards.txt -o cards.txt/r", 73, ["cards.txt"]),
    "out below nowhere": ("run job.toml cards.txt -o no/such/r", 73, ["no/such"]),
    "drawing below nowhere": ("draw run -o no/such/card.svg", 73, ["no/such"]),
    "page below nowhere": ("examine cards.txt --html no/such/p.html", 73, ["no/such"]),
    "demo over a folder": ("demo afolder", 73, ["afolder", "exists already"]),
    "pictures over a file": ("simulate -n 1 -o cards.txt", 73, ["exists already"]),
    # words in a job
    "kind misspelt": ("check kind.toml", 2, ["kind.toml:", "'sotr'", "did you mean 'sort'?"]),
    "stage without a kind": ("check nokind.toml", 2, ["nokind.toml:", "'kind' is missing"]),
    "number in quotes": (
        "check quoted.toml", 2, ["quoted.toml:", "write the number without quotes: 3"],
    ),
    "quote not closed": ("check open.toml", 2, ["open.toml:1", "a quote is not closed"]),
    "key twice": ("check twice.toml", 2, ["twice.toml:2", "a key is given twice"]),
    "chain without decode": ("check nodecode.toml", 2, ["the chain must begin with decode"]),
    "no such layout": (
        "check layout.toml", 2, ["layout.toml:", "no layout 'reciepts'", "'receipts'"],
    ),
    "no such code": ("check code.toml", 2, ["code.toml:", "unknown code 'cp0377'", "guide codes"]),
    "no such master": ("check master.toml", 2, ["master.toml:", "depot.csv", "--with depot=PATH"]),
    "memory in the wrong unit": ("check memory.toml", 2, ["memory.toml:2", "MiB"]),
    "memory too small": ("check small.toml", 2, ["small.toml:2", "256 MiB"]),
    "field kind misspelt": ("check field.toml", 2, ["digit", "did you mean 'digits'?"]),
    # what is asked of a run
    "no such topic": ("guide layuot", 2, ["'layuot'", "did you mean 'layout'?"]),
    "no such kind": ("stages sotr", 3, ["'sotr'", "did you mean 'sort'?"]),
    "no such card": ("trace run 999", 2, ["999"]),
    "card zero": ("trace run 0", 2, ["at least 1", "'0'"]),
    "trace of a deck": ("trace cards.txt 1", 2, ["cards.txt", "run folder"]),
    "trace of nowhere": ("trace nowhere 1", 2, ["nowhere"]),
    "journal of a folder": ("journal afolder", 2, ["afolder", "run folder"]),
    "card and line": ("trace run 1 --output cards.csv --line 2", 2, ["either"]),
    "no such output": ("trace run --output card.csv --line 2", 2, ["card.csv"]),
    "line beyond the end": ("trace run --output cards.csv --line 999", 2, ["999"]),
    "card in words": ("draw cards.txt first", 2, ["'first'", "20-25"]),
    "cards from high to low": ("draw cards.txt 9-3", 2, ["'9-3'"]),
    "drawing in no form": ("draw run -o card.gif", 2, ["card.gif", ".svg, .png or .pdf"]),
    "paper misspelt": ("draw run --sheet a5 -o p.pdf", 2, ["'a5'", "a4, letter"]),
    "pages on the terminal": ("draw run --sheet a4", 2, ["--out"]),
    "medium that is no table": ("examine cards.txt --medium text", 2, ["--medium 'text'", "TOML"]),
    "medium misspelt": (
        "examine cards.txt --medium '{ kind = \"txet\" }'", 3, ["'txet'", "'text'"],
    ),
    "key of a medium misspelt": (
        "examine cards.txt --medium '{ kind = \"blocks\", record_lenght = 80 }'", 2,
        ["'record_lenght'", "did you mean 'record_length'?"],
    ),
    "code misspelt": ("examine cards.txt --code cp0377", 2, ["'cp0377'", "guide codes"]),
    "examine nowhere": ("examine nowhere.txt", 4, ["nowhere.txt", "does not exist"]),
    "condition misspelt": (
        "simulate -n 1 -o p.zip --condition ordinry", 2, ["did you mean 'ordinary'?"],
    ),
    "damage misspelt": ("simulate -n 1 -o p.zip --damage blurr=1", 2, ["did you mean 'blur'?"]),
    "damage without strength": ("simulate -n 1 -o p.zip --damage blur", 2, ["'blur'", "0 to 10"]),
    "pictures without a place": ("simulate -n 1", 2, ["--out"]),
    "truth that is none": ("simulate --score run --truth cards.txt", 4, ["no column 'patterns'"]),
    "schemas over a file": ("schema -o cards.txt", 73, ["cards.txt: is not a folder"]),
    "schemas into nowhere": ("schema -o /proc/none", 73, ["/proc/none", "cannot be written"]),
    "a file like an option": ("run job.toml -deck.txt -o out", 2, ["write ./-deck.txt"]),
    "score without truth": ("simulate --score run", 2, ["--truth"]),
    # the service
    "status of no workspace": ("status afolder", 78, ["afolder", "deckwright init"]),
    "verify of no workspace": ("verify afolder", 78, ["afolder", "deckwright init"]),
    "watch nowhere": ("watch nowhere --once", 78, ["nowhere"]),
    "tidy without days": ("tidy depot", 2, ["--older-than is missing"]),
    "tidy in words": ("tidy depot --older-than week", 2, ["a number", "'week'"]),
    "no such run": ("requeue depot nosuch", 75, ["ledger.db is not there", "start the service"]),
    "find before the first start": ("find depot week", 75, ["not there yet", "deckwright watch"]),
    "no such day": ("status depot --day 2026-13-01", 2, ["--day: should be a day such as", "-13-"]),
    "verify no such run": ("verify depot --run nosuch", 2, ["nosuch"]),
    "init in a run folder": ("init run", 73, ["run"]),
}  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory, shop):
    """Return a folder with what a person has there."""
    folder = tmp_path_factory.mktemp("desk")
    jobs = {
        "kind": [{"kind": "sotr", "keys": ["item"]}],
        "layout": [{"kind": "validate", "layout": "reciepts"}],
        "master": [{"kind": "merge", "master": "depot", "match": {"item": "item"}}],
    }  # fmt: skip
    for name, middle in jobs.items():
        files = {"depot": "depot.csv"} if name == "master" else None
        shop.job(folder, shop.chain(*middle), name=name, files=files)
    shop.job(folder, shop.chain())
    (folder / "digits.toml").write_text(shop.receipts.replace('"digits"', '"digit"'), "utf-8")
    shop.job(folder, shop.chain({"kind": "validate", "layout": "digits"}), name="field",
             layouts={"receipts": shop.receipts})  # fmt: skip
    blocks = {"kind": "blocks", "code": "cp037"}
    shop.job(folder, [{"kind": "decode", "medium": blocks}], name="blocks")
    shop.job(folder, [{"kind": "decode", "medium": {"kind": "pictures"}}], name="pictures")
    shop.job(folder, shop.chain(medium={"kind": "text", "code": "cp0377"}), name="code")
    shop.job(folder, shop.chain(medium={"kind": "text", "record_length": "3"}), name="quoted")
    shop.job(folder, shop.chain()[1:], name="nodecode")
    shop.job(folder, [*shop.chain(), {"title": "x"}], name="nokind")
    shop.job(folder, shop.chain(), name="memory", memory="2 gigs")
    shop.job(folder, shop.chain(), name="small", memory="1 MiB")
    (folder / "open.toml").write_text('title = "x\n', "utf-8")
    (folder / "twice.toml").write_text('title = "x"\ntitle = "y"\n', "utf-8")
    shop.deck(folder / "cards.txt", CARDS)
    shop.deck(folder / "-deck.txt", CARDS)
    (folder / "binary.bin").write_bytes(bytes(range(256)) * 5)
    (folder / "cut.blk").write_bytes(b"\xf1" * 100)
    (folder / "empty.txt").write_bytes(b"")
    (folder / "afolder").mkdir()
    (folder / "dangling").symlink_to("nowhere.txt")
    run = ("run", folder / "job.toml", folder / "cards.txt", "--out", folder / "run")
    assert shop.say(*run).code == 0
    assert shop.say("init", folder / "depot").code == 0
    return folder


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_ends_in_one_line(mistake, place, shop, monkeypatch):
    monkeypatch.chdir(place)
    typed, code, pieces = MISTAKES[mistake]
    before = {path for path in place.rglob("*") if "depot" not in path.parts}
    said = shop.say(*shlex.split(typed))
    told = [line for line in said.err.splitlines() if not re.match(r"\w+(, \w+)*: [\d,]+ of", line)]
    assert len(told) == 1, said.err
    assert told[0].startswith("deckwright: ")
    for piece in pieces:
        assert piece in told[0]
    assert "Traceback" not in said.err + said.out
    assert said.code == code
    assert said.code in CODES
    # nothing is left where something was refused
    after = {path for path in place.rglob("*") if "depot" not in path.parts}
    assert all(path.name.endswith("-failed.html") for path in after - before)


def test_a_deck_that_is_given_twice_is_told_and_runs_twice(place, shop, tmp_path):
    deck = place / "cards.txt"
    said = shop.say("run", place / "job.toml", deck, deck, "--out", tmp_path / "run")
    assert said.code == 0
    assert f"deck '{deck}' is given twice, and runs twice\n" in said.err
    once = shop.say("run", place / "job.toml", deck, "--out", tmp_path / "once")
    assert "twice" not in once.err


def test_there_are_many_mistakes() -> None:
    assert len(MISTAKES) >= 60
    assert {code for _, code, _ in MISTAKES.values()} <= CODES
