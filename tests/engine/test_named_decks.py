"""Several named decks in one chain: card for card as if each were run alone."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codetable import ASCII_LATIN
from deckwright.cli.commands.run import command
from deckwright.cli.shared.completing import complete_decks
from deckwright.engine.passes.executors import ProcessExecutor
from deckwright.engine.planning.configs import Configs
from deckwright.engine.planning.limits import Sizes
from deckwright.engine.run import run_job
from deckwright.errors import (
    CarriedFileError,
    ConfigError,
    DeckNamesError,
    DeckwrightError,
    TooManyReturnedError,
)
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from deckwright.journal.trace import trace
from deckwright.plugin.registry import Registry
from guide_plugins import guide_plugin
from sets import DEAR
from stock_card import STOCK

MEDIA = (
    {"kind": "text"},
    {"kind": "text", "record_length": "longest"},
    {"kind": "text", "record_length": 33, "line_end": "crlf"},
    {"kind": "blocks", "code": "cp037", "record_length": 80},
    {"kind": "blocks", "code": "cp273", "record_length": 31},
    {"kind": "blocks", "code": "ascii", "record_length": 40},
    {"kind": "blocks", "code": "cp1252", "record_length": 47},
    {"kind": "column-binary", "code": "ebcdic"},
    {"kind": "column-binary", "code": "ascii-card"},
)
LAYOUT = """
title = "Cards of an invented depot"
record_length = {width}

[[field]]
name = "item"
columns = "{item}-{item_end}"
kind = "digits"
blank = "error"

[[field]]
name = "{amount}"
columns = "{next}-{end}"
kind = "decimal"
decimals = 2
sign = "overpunch-right"

[[field]]
name = "note"
columns = "{text}-{text_end}"
kind = "text"
"""
CARDS = st.lists(
    st.tuples(
        st.one_of(
            st.integers(0, 99999).map("{:05}".format), st.sampled_from(["00007", "0X007", ""])
        ),
        st.sampled_from(["00012{", "00012J", "000123", "      ", "00012?"]),
        st.text("ABC 12-", max_size=6),
    ),
    min_size=1,
    max_size=9,
)
DECKS = st.lists(
    st.tuples(st.integers(0, len(MEDIA) - 1), st.integers(1, 3), CARDS), min_size=1, max_size=4
)
NAMES = ("master", "movements", "late", "x-4")


def layout(shift: int, amount: str) -> str:
    """Return a layout whose fields begin in column `shift`."""
    return LAYOUT.format(
        width=31, item=shift, item_end=shift + 4, amount=amount, next=shift + 5, end=shift + 10,
        text=shift + 11, text_end=shift + 18,
    )  # fmt: skip


def written(folder: Path, options: dict[str, Any], shift: int, cards: list[Any]) -> bytes:
    """Return cards as the bytes of a medium."""
    length = options.get("record_length", 80)
    width = length if isinstance(length, int) else 37
    lines = [f"{'':{shift - 1}}{item:5}{amount}{note:8}" for item, amount, note in cards]
    text = np.frombuffer("".join(f"{line:<{width}}" for line in lines).encode(), np.uint8)
    made = Configs(folder / "job.toml", Registry()).medium(options)
    return made.encode(text.reshape(len(cards), width), None, None, ASCII_LATIN)


def job_of(shop: Any, folder: Path, decks: list[Any], *, ordered: bool, alone: bool) -> Path:
    """Write a job that checks and delivers decks: each by its fields, and again as a deck."""
    layouts = {f"l{n}": layout(s, f"amount{s}") for n, (_, s, _) in enumerate(decks)}
    outputs = []
    lines = ['title = "Decks"']
    for number, (place, shift, _) in enumerate(decks):
        medium = shop.toml(MEDIA[place])
        name = NAMES[number]
        where = {} if alone else {"where": f"deck = '{name}'"}
        columns = ["card", "item", f"amount{shift}", "note"]
        outputs += [
            {"file": f"{name}.csv", "form": "csv", "columns": columns, **where},
            {"file": f"{name}.deck", "form": "deck", "medium": MEDIA[place], **where},
        ]
        if not alone:
            lines += ["", "[[deck]]", f'name = "{name}"', f"medium = {medium}"]
            lines += [f'layout = "l{number}"', 'most_returned = "100 %"']
    stages: list[dict[str, Any]] = [{"kind": "validate", "most_returned": "100 %"}]
    if alone:
        stages[0]["layout"] = "l0"
        decode = {"kind": "decode", "medium": MEDIA[decks[0][0]], "most_returned": "100 %"}
        stages.insert(0, decode)
    if ordered:
        stages.append({"kind": "sort", "keys": ["item"] if alone else ["item", "deck", "card"]})
    stages.append({"kind": "emit", "output": outputs})
    for stage in stages:
        lines += ["", "[[stage]]", *(f"{k} = {shop.toml(v)}" for k, v in stage.items())]
    for name, text in layouts.items():
        (folder / f"{name}.toml").write_text(text)
    path = folder / "job.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def rows(path: Path, less: int = 0, without: tuple[str, ...] = ()) -> list[dict[str, str]]:
    """Return the rows of a CSV; less: taken off each card number."""
    if not path.is_file():
        return []
    with path.open(newline="") as file:
        found = list(csv.DictReader(file))
    for row in found:
        row["card"] = str(int(row["card"]) - less)
        for name in without:
            row.pop(name, None)
    return found


@pytest.mark.slow
@DEAR
@given(decks=DECKS, ordered=st.booleans(), cut=st.integers(2, 9))
def test_decks_in_one_chain_are_as_each_alone(
    shop: Any, room: Any, decks: list[Any], *, ordered: bool, cut: int
) -> None:
    """Deliveries, returned decks and reasons are those of runs of single decks."""
    folder = room()
    job = job_of(shop, folder, decks, ordered=ordered, alone=False)
    given_decks = {}
    for name, (place, shift, cards) in zip(NAMES, decks, strict=False):
        data = written(folder, MEDIA[place], shift, cards)
        given_decks[name] = shop.deck(folder / f"{name}.dat", data)
    try:
        outcome = run_job(job, given_decks, folder / "run", sizes=Sizes(cut, max(1, cut // 2)))
    except TooManyReturnedError:
        outcome = None  # all cards of all decks failed
    first, returned = 1, 0
    for number, (name, path) in enumerate(given_decks.items()):
        own = room()
        alone = job_of(shop, own, [decks[number]], ordered=ordered, alone=True)
        try:
            run_job(alone, [path], own / "run")
        except TooManyReturnedError:
            assert outcome is None or not rows(folder / "run" / "out" / f"{name}.csv")
            continue
        assert outcome is not None
        ours, theirs = folder / "run", own / "run"
        less = first - 1
        assert rows(ours / "out" / f"{name}.csv", less) == rows(theirs / "out" / "master.csv")
        deck = (theirs / "out" / "master.deck").read_bytes()
        assert (ours / "out" / f"{name}.deck").read_bytes() == deck
        for fate in ("returned", "set-aside"):
            back = theirs / fate / path.name
            mine = ours / fate / path.name
            assert back.is_file() == mine.is_file()
            if back.is_file():
                assert back.read_bytes() == mine.read_bytes()
        reasons = rows(theirs / "returned" / "reasons.csv", 0, ("deck", "card_in_deck"))
        found = rows(ours / "returned" / "reasons.csv", less)
        assert [
            {k: v for k, v in row.items() if k not in ("deck", "card_in_deck")}
            for row in found
            if row["deck"] == name
        ] == reasons
        assert all(row["card"] == row["card_in_deck"] for row in found if row["deck"] == name)
        counts = shop.control(ours)["named_decks"][number]
        equation = shop.control(theirs)["equation"]
        assert counts["holds"]
        assert [counts[k] for k in ("in", "out", "returned", "set_aside")] == [
            equation[k] for k in ("in", "out", "returned", "set_aside")
        ]
        first += len(decks[number][2])
        returned += counts["returned"]
    if outcome is None:
        return
    journal = Journal(folder / "run")
    card = 0
    for number, (_, _, cards) in enumerate(decks):
        for place in range(1, len(cards) + 1):
            card += 1
            named = f"({NAMES[number]}, card {place})"
            assert named in trace(journal, card)[0] or len(decks) == 1


@pytest.mark.parametrize("executor", [False, True])
def test_same_bytes_for_any_cut_and_executor(
    shop: Any, room: Any, tmp_path: Path, *, executor: bool
) -> None:
    """What is delivered does not depend on how the work is cut."""
    cards = [(f"{n % 37:05}", "00012J", "A") for n in range(90)]
    decks = [(3, 1, cards), (1, 2, cards[:40]), (7, 3, cards[30:])]
    job = job_of(shop, tmp_path, decks, ordered=True, alone=False)
    given_decks = {
        name: shop.deck(tmp_path / f"{name}.dat", written(tmp_path, MEDIA[place], shift, some))
        for name, (place, shift, some) in zip(NAMES, decks, strict=False)
    }
    known = None
    for cut, tray in ((1000, 1000), (31, 7), (8, 8)):
        out = room() / "run"
        run_job(
            job,
            given_decks,
            out,
            sizes=Sizes(cut, tray),
            executor=ProcessExecutor(2) if executor and cut == 31 else None,
        )
        found = {n: d for n, d in shop.files(out).items() if not n.startswith(("journal", "mani"))}
        known = known or found
        assert found == known


UPDATE = '''"""Post movements to a small master."""

from deckwright import Book, GroupStage, StageConfig, Tray, hookimpl


class PostConfig(StageConfig):
    """Post movements."""


class PostStage(GroupStage[PostConfig]):
    kind = "look"

    def group_fields(self) -> list[str]:
        return ["item"]

    def run(self, tray: Tray, book: Book) -> Tray:
        assert list(tray.decks.names) == ["master", "movements"]
        assert tray["deck"].to_list() == [tray.decks.names[code] for code in tray.deck]
        book.tally("movements", int((tray.deck == 1).sum()))
        return book.give_back(tray, tray["deck"] == "movements", "seen", field="deck")


@hookimpl
def deckwright_stages():
    return [PostStage]
'''


def test_a_stage_sees_of_which_deck_a_card_is(shop: Any, tmp_path: Path) -> None:
    """`tray.deck`, `tray.decks` and the field `deck` say the same; replay finds the cards."""
    decks = [(3, 1, [(f"{n:05}", "000123", "") for n in range(40)]),
             (4, 1, [(f"{n:05}", "000123", "") for n in range(0, 40, 3)])]  # fmt: skip
    job = job_of(shop, tmp_path, decks, ordered=True, alone=False)
    text = job.read_text().replace(
        '[[stage]]\nkind = "emit"', '[[stage]]\nkind = "look"\n\n[[stage]]\nkind = "emit"'
    )
    job.write_text(text.replace('title = "Decks"', 'title = "Decks"\nplugins = ["look.py"]'))
    (tmp_path / "look.py").write_text(UPDATE)
    given_decks = {
        name: shop.deck(tmp_path / f"{name}.dat", written(tmp_path, MEDIA[place], 1, some))
        for name, (place, _, some) in zip(NAMES, decks, strict=False)
    }
    run_job(job, given_decks, tmp_path / "run", sizes=Sizes(9, 4))
    control = shop.control(tmp_path / "run")
    assert control["stages"][3]["facts"] == {"movements": 14}
    assert control["stages"][3]["decks"] == [
        {"deck": "master", "in": 40, "out": 40, "returned": 0, "set_aside": 0},
        {"deck": "movements", "in": 14, "out": 0, "returned": 14, "set_aside": 0},
    ]
    assert (tmp_path / "run" / "returned" / "movements.dat").read_bytes() == (
        tmp_path / "movements.dat"
    ).read_bytes()
    cards, _ = replay(Journal(tmp_path / "run"), np.full((54, 80), 32, np.uint8), ASCII_LATIN)
    assert cards.tolist() == list(range(1, 41))


def small(shop: Any, folder: Path, **options: Any) -> Path:
    """Write a job of two decks, of ten cards each beside it."""
    cards = [(f"{n:05}", "000123", "") for n in range(10)]
    decks = [(3, 1, cards), (0, 2, cards)]
    job = job_of(shop, folder, decks, ordered=False, alone=False)
    for name, (place, shift, some) in zip(NAMES, decks, strict=False):
        shop.deck(folder / f"{name}.dat", written(folder, MEDIA[place], shift, some))
    for old, new in options.items():
        job.write_text(job.read_text().replace(old, new))
    return job


def test_decks_are_given_by_name(shop: Any, tmp_path: Path) -> None:
    """On the command line, in any order; the order of the job numbers the cards."""
    job = small(shop, tmp_path)
    done = shop.say("run", job, f"movements={tmp_path}/movements.dat",
                    f"master={tmp_path}/master.dat", "--out", tmp_path / "run")  # fmt: skip
    assert done.code == 0, done.err
    decks = shop.control(tmp_path / "run")["decks"]
    assert [(d["name"], d["file"], d["first_card"]) for d in decks] == [
        ("master", "master.dat", 1), ("movements", "movements.dat", 11),
    ]  # fmt: skip


def test_several_files_of_one_deck_are_numbered_through(shop: Any, tmp_path: Path) -> None:
    """Each is told by deck and file, and cards come back file by file."""
    job = small(shop, tmp_path)
    second = tmp_path / "second.txt"
    second.write_bytes((tmp_path / "movements.dat").read_bytes() + b" bad\n")
    decks = {"movements": [tmp_path / "movements.dat", second], "master": tmp_path / "master.dat"}
    run_job(job, decks, tmp_path / "run")
    control = shop.control(tmp_path / "run")
    assert [d["name"] for d in control["decks"]] == [
        "master", "movements-movements.dat", "movements-second.txt",
    ]  # fmt: skip
    assert [(d["deck"], d["in"]) for d in control["named_decks"]] == [
        ("master", 10), ("movements", 21),
    ]  # fmt: skip
    assert (tmp_path / "run" / "returned" / "second.txt").read_bytes() == b" bad\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["master.dat"], ("'master.dat' does not say which deck it is; the job has master and "
         "movements, so write master=PATH movements=PATH")),
        (["mastr=a", "movements=b"], "the job has no deck 'mastr'; did you mean 'master'?"),
        (["master=a"], "the deck 'movements' is missing; write master=PATH movements=PATH"),
        ([], "the deck 'master' is missing; write master=PATH movements=PATH"),
    ],
)  # fmt: skip
def test_wrong_names_are_told_in_one_sentence(
    shop: Any, tmp_path: Path, words: list[str], said: str
) -> None:
    """With what is near, and how it is written."""
    done = shop.say("run", small(shop, tmp_path), *words, "--out", tmp_path / "run")
    assert (done.code, done.err) == (2, f"deckwright: {said}\n")
    assert not (tmp_path / "run").exists()


def test_a_name_for_a_job_of_one_deck(shop: Any, make_job: Any, tmp_path: Path) -> None:
    """It is refused."""
    with pytest.raises(DeckNamesError, match="has one deck, without a name; leave out 'master='"):
        run_job(make_job(shop.chain()), {"master": tmp_path / "x"}, tmp_path / "run")


def test_a_deck_may_lie_in_a_file_of_the_job(shop: Any, tmp_path: Path) -> None:
    """Then it need not be given, and --with or its name give another."""
    job = small(shop, tmp_path)
    text = job.read_text().replace('[[deck]]\nname = "master"',
                                   '[[deck]]\nname = "master"\nfile = "stock"')  # fmt: skip
    job.write_text(text.replace("\n[[deck]]", '\n[files]\nstock = "master.dat"\n\n[[deck]]', 1))
    moves = f"movements={tmp_path}/movements.dat"
    assert shop.say("run", job, moves, "--out", tmp_path / "one").code == 0
    other = tmp_path / "other.dat"
    other.write_bytes((tmp_path / "master.dat").read_bytes()[:160])
    assert (
        shop.say("run", job, moves, "--with", f"stock={other}", "--out", tmp_path / "two").code == 0
    )
    assert shop.say("run", job, moves, f"master={other}", "--out", tmp_path / "three").code == 0
    cards = [shop.control(tmp_path / run)["decks"][0]["cards"] for run in ("one", "two", "three")]
    assert cards == [10, 2, 2]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "movements"', 'name = "master"', "two decks are named 'master'; rename one"),
        ('layout = "l1"', 'layout = "l9"', "deck 'movements': there is no layout 'l9'"),
        ('layout = "l1"', 'layot = "l1"', "deck 'movements': unknown key 'layot'"),
        ('kind = "validate"', 'kind = "validate"\nlayout = "l0"',
         "stage 2 (validate): each deck of this job names its own layout; take this one out"),
        ('[[stage]]\nkind = "validate"', ('[[stage]]\nkind = "decode"\nmedium = { kind = "text" }\n'
         '\n[[stage]]\nkind = "validate"'), "the decks of the job bring its cards"),
        ('layout = "l1"', 'layout = "l1"\nfile = "stok"',
         "deck 'movements': unknown file 'stok'; there are none"),
        ('layout = "l1"', 'layout = "l1"\nkind = "emit"', "deck 'movements': "),
        ('medium = { "kind": "text" }', 'medium = { kind = "txt" }', "deck 'movements': "),
    ],
)  # fmt: skip
def test_faults_of_decks_are_told_with_their_line(
    shop: Any, tmp_path: Path, old: str, new: str, said: str
) -> None:
    """Each with the deck's name."""
    job = small(shop, tmp_path)
    text = job.read_text()
    new_text = text.replace('{ "kind" = "text" }', '{ "kind": "text" }').replace(old, new)
    assert new_text != text
    job.write_text(new_text.replace('{ "kind": "text" }', '{ "kind" = "text" }'))
    done = shop.say("check", job)
    assert done.code == 2
    assert "job.toml:" in done.err
    assert said in done.err


def test_kinds_and_codes_that_cannot_meet(shop: Any, tmp_path: Path) -> None:
    """A field of two kinds, a field named deck, codes with too many characters, coded fields."""
    job = small(shop, tmp_path)
    path = tmp_path / "l1.toml"
    good, kind = path.read_text(), job.read_text()
    for old, new, said in (
        ('name = "note"', 'name = "deck"', "has a field 'deck', which in a job of several decks"),
        ('name = "amount2"', 'name = "amount1"', ""),
        ('name = "amount2"', 'name = "note1"', ""),
        (
            'kind = "text"',
            'kind = "whole"',
            "field 'note' is of two kinds, in deck 'master' and in",
        ),
        ('kind = "text"', 'kind = "text"\ncode = "cp037"', "has fields in codes of their own"),
    ):
        path.write_text(good.replace(old, new))
        done = shop.say("check", job)
        assert done.code == (2 if said else done.code)
        assert said in done.err
    path.write_text(good)
    job.write_text(kind.replace('"cp037"', '"koi8-r"').replace(
        '"kind" = "text"', '"kind" = "text", "code" = "cp437"'))  # fmt: skip
    done = shop.say("check", job)
    assert "the codes of the decks have too many characters together: koi8-r (master)" in done.err


def test_a_limit_holds_for_each_deck(shop: Any, tmp_path: Path) -> None:
    """A share is one of each deck: a small one that is read wrong is not lost in a large one."""
    job = small(shop, tmp_path)
    job.write_text(job.read_text().replace('kind = "validate"\nmost_returned = "100 %"',
                                           'kind = "validate"'))  # fmt: skip
    bad = tmp_path / "bad.dat"
    bad.write_bytes(b" XXXXX000123\n" * 30)
    large = shop.deck(tmp_path / "large.dat", (tmp_path / "master.dat").read_bytes() * 100)
    with pytest.raises(
        TooManyReturnedError, match=r"stage 2 \(validate\), deck 'movements': 30 of 30"
    ):
        run_job(job, {"master": large, "movements": bad}, tmp_path / "run")


def test_the_sheet_tells_each_deck(shop: Any, tmp_path: Path) -> None:
    """Name, file and what became of its cards."""
    job = small(shop, tmp_path)
    (tmp_path / "movements.dat").write_bytes(b" 00001000123\n XXXXX000123\n")
    decks = {name: tmp_path / f"{name}.dat" for name in ("master", "movements")}
    run_job(job, decks, tmp_path / "run")
    page = (tmp_path / "run" / "control.html").read_text()
    assert "movements (movements.dat)" in page
    manifest = json.loads((tmp_path / "run" / "manifest.json").read_text())
    assert manifest["named_decks"] == shop.control(tmp_path / "run")["named_decks"]


def test_a_job_with_bad_decks_says_nothing_of_what_follows(shop: Any, tmp_path: Path) -> None:
    """One fault, not one for each stage."""
    job = small(shop, tmp_path)
    job.write_text(job.read_text().replace('layout = "l1"', 'layout = "l9"'))
    with pytest.raises(ConfigError) as told:
        run_job(job, {}, tmp_path / "run")
    assert len(told.value.faults) == 1


MOVEMENT = """
title = "Movement card of an invented depot"

[[field]]
name = "item"
columns = "3-7"
kind = "digits"
blank = "error"

[[field]]
name = "quantity"
columns = "11-16"
kind = "whole"
sign = "leading"
fill = " "
"""
UPDATE_JOB = """
title = "Update (invented)"
plugins = ["update.py"]

[files]
stock = "old.deck"

[[deck]]
name = "master"
file = "stock"
medium = { kind = "blocks", code = "cp037", record_length = 40 }
layout = "stock"

[[deck]]
name = "movements"
medium = { kind = "text" }
layout = "movement"

[[stage]]
kind = "validate"

[[stage]]
kind = "sort"
keys = ["item", "deck", "card"]

[[stage]]
kind = "update"
layout = "stock"

[[stage]]
kind = "emit"

[[stage.output]]
file = "stock.deck"
form = "deck"
medium = { kind = "blocks", code = "cp037", record_length = 40 }
"""


def update(folder: Path, items: dict[int, int]) -> Path:
    """Write the job of the guide's update with a master of these items and amounts."""
    plugin = guide_plugin("update")
    assert sum(bool(line.strip()) for line in plugin.splitlines()) < 40
    for name, text in (
        ("job.toml", UPDATE_JOB), ("stock.toml", STOCK), ("movement.toml", MOVEMENT),
        ("update.py", plugin),
    ):  # fmt: skip
        (folder / name).write_text(text)
    (folder / "old.deck").write_bytes(stock(items))
    return folder / "job.toml"


def stock(items: dict[int, int]) -> bytes:
    """Return the cards of a master."""
    lines = (f"{item:05}{amount:06}".ljust(40) for item, amount in sorted(items.items()))
    return "".join(lines).encode("cp037")


@DEAR
@given(
    items=st.dictionaries(st.integers(1, 30), st.integers(1000, 9999), min_size=1, max_size=20),
    moves=st.lists(st.tuples(st.integers(1, 33), st.integers(-20, 20)), min_size=1, max_size=30),
    cut=st.integers(3, 40),
)
def test_a_small_master_is_updated_by_movements(
    room: Any, items: dict[int, int], moves: list[tuple[int, int]], cut: int
) -> None:
    """The new master has every record of the old; movements without one come back."""
    folder = room()
    job = update(folder, items)
    lines = [f"  {item:05}   {quantity:6}\n" for item, quantity in moves]
    (folder / "week.txt").write_text("".join(lines))
    outcome = run_job(job, {"movements": folder / "week.txt"}, folder / "run",
                      sizes=Sizes(cut, 3))  # fmt: skip
    expected = dict(items)
    for item, quantity in moves:
        if item in expected:
            expected[item] += quantity
    assert (folder / "run" / "out" / "stock.deck").read_bytes() == stock(expected)
    back = folder / "run" / "returned" / "week.txt"
    lost = [line for line, (item, _) in zip(lines, moves, strict=True) if item not in items]
    assert (back.read_text() if back.is_file() else "") == "".join(lost)
    assert outcome.set_aside == len(moves) - len(lost)
    assert outcome.control["next_masters"] == [
        {"stage": 4, "file": "stock.deck", "master": "stock", "before": len(items), "added": 0,
         "deleted": 0, "after": len(items), "read": len(items)}
    ]  # fmt: skip


def test_a_master_that_lost_a_card_is_not_carried_on(tmp_path: Path) -> None:
    """A card of the master came back, so the account does not hold."""
    job = update(tmp_path, {1: 5, 2: 6, 3: 7})
    old = tmp_path / "old.deck"
    old.write_bytes(old.read_bytes().replace("00002".encode("cp037"), "0000X".encode("cp037")))
    (tmp_path / "week.txt").write_text("  00001        3\n")
    with pytest.raises(CarriedFileError, match="stock has 3 records, its account says 2 before"):
        run_job(job, {"movements": tmp_path / "week.txt"}, tmp_path / "run")


def test_decks_whose_files_have_one_name_come_back_apart(shop: Any, tmp_path: Path) -> None:
    """The second is named by its deck too."""
    job = small(shop, tmp_path)
    decks = {}
    for name, data in (("master", "0000X".ljust(80).encode("cp037")), ("movements", b" 0000X\n")):
        (tmp_path / f"of-{name}").mkdir()
        whole = (tmp_path / f"{name}.dat").read_bytes() + data
        decks[name] = shop.deck(tmp_path / f"of-{name}" / "same.dat", whole)
    run_job(job, decks, tmp_path / "run")
    back = shop.files(tmp_path / "run" / "returned")
    assert back["same.dat"] == "0000X".ljust(80).encode("cp037")
    assert back["movements-same.dat"] == b" 0000X\n"


def test_a_control_character_for_which_there_is_no_place_brings_its_card_back(
    shop: Any, tmp_path: Path
) -> None:
    """Byte for byte, with a reason; no character is taken for another."""
    cards = [("00001", "000123", ""), ("00002", "000123", "")]
    decks = [(3, 1, cards), (6, 1, cards)]  # cp037 and cp1252 have more than 256 characters
    job = job_of(shop, tmp_path, decks, ordered=False, alone=False)
    for name, (place, shift, some) in zip(NAMES, decks, strict=False):
        shop.deck(tmp_path / f"{name}.dat", written(tmp_path, MEDIA[place], shift, some))
    master = tmp_path / "master.dat"
    odd = master.read_bytes()[:79] + "\x85".encode("cp037")
    master.write_bytes(odd + master.read_bytes()[80:])
    run_job(job, {name: tmp_path / f"{name}.dat" for name in NAMES[:2]}, tmp_path / "run")
    assert (tmp_path / "run" / "returned" / "master.dat").read_bytes() == odd
    (reason,) = rows(tmp_path / "run" / "returned" / "reasons.csv")
    assert (reason["reason"], reason["deck"], reason["column"]) == (
        "undefined-character", "master", "80",
    )  # fmt: skip


def test_cards_of_decks_with_and_without_holes_are_punched_together(
    shop: Any, tmp_path: Path
) -> None:
    """Cards with holes keep theirs, the others are punched in the code of the new deck."""
    cards = [("00001", "00012J", "A-B"), ("00002", "000123", "")]
    decks = [(7, 1, cards), (3, 1, cards), (0, 1, cards)]
    job = job_of(shop, tmp_path, decks, ordered=False, alone=False)
    new = '\n[[stage.output]]\nfile = "all.bin"\nform = "deck"\n'
    medium = 'medium = { kind = "column-binary", code = "ebcdic" }\n'
    emit = job.read_text() + '\n[[stage]]\nkind = "emit"\n'
    job.write_text(emit + new + medium)
    for name, (place, shift, some) in zip(NAMES, decks, strict=False):
        shop.deck(tmp_path / f"{name}.dat", written(tmp_path, MEDIA[place], shift, some))
    run_job(job, {name: tmp_path / f"{name}.dat" for name in NAMES[:3]}, tmp_path / "run")
    found = (tmp_path / "run" / "out" / "all.bin").read_bytes()
    alone = written(tmp_path, MEDIA[7], 1, cards)
    assert found == alone * 3


def test_a_record_that_is_wider_than_the_new_ones_is_named(shop: Any, tmp_path: Path) -> None:
    """By deck and card of the deck."""
    job = small(shop, tmp_path)
    text = job.read_text().replace("where = \"deck = 'movements'\"", "")
    medium = '{ "kind" = "blocks", "code" = "ascii", "record_length" = 50 }'
    parts = text.replace(', "where" = "deck = \'movements\'"', "").rsplit('{ "kind" = "text" }', 1)
    job.write_text(medium.join(parts))
    decks = {name: tmp_path / f"{name}.dat" for name in NAMES[:2]}
    with pytest.raises(DeckwrightError, match=r"card 1 of \w+ \(card \d+ of the run\) has 80"):
        run_job(job, decks, tmp_path / "run")


def test_cards_of_a_run_of_several_decks_are_drawn(shop: Any, tmp_path: Path) -> None:
    """A returned one from the run folder, another from its deck; each by its deck's layout."""
    job = small(shop, tmp_path)
    (tmp_path / "movements.dat").write_bytes(b" 00001000123\n XXXXX000123\n")
    decks = {name: tmp_path / f"{name}.dat" for name in NAMES[:2]}
    run_job(job, decks, tmp_path / "run")
    back = shop.say("draw", tmp_path / "run", 12)
    assert back.code == 0, back.err
    assert "Card 2 of movements (card 12 of the run)" in back.out
    went = shop.say("draw", tmp_path / "run", 1, "--deck", tmp_path / "master.dat")
    assert went.code == 0, went.err
    assert "Card 1 of master" in went.out
    assert "(movements, card 2)" in shop.say("trace", tmp_path / "run", 12).out


def test_completion_offers_the_decks_of_a_job(shop: Any, tmp_path: Path) -> None:
    """As NAME=."""
    job = small(shop, tmp_path)
    ctx = click.Context(command)
    ctx.params = {"job": job}
    names = [item.value for item in complete_decks(ctx, command.params[1], "")]
    assert names == ["master=", "movements="]
    assert complete_decks(ctx, command.params[1], "/tm")[0].type == "file"


ADDED = '''"""Returns a copy of the first card of every tray, with another character in it."""

import dataclasses

import numpy as np

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class ExtraConfig(StageConfig):
    """Return a card more."""

    character: str
    """What it begins with."""


class ExtraStage(TrayStage[ExtraConfig]):
    kind = "extra"

    def run(self, tray: Tray, book: Book) -> Tray:
        out = tray.take(np.concatenate([np.arange(len(tray)), [0]]))
        out.text[-1, 0] = tray.code.alphabet.encode(self.config.character)[0]
        out = dataclasses.replace(out, cards=np.concatenate([tray.cards, book.add_cards(1)]))
        return book.give_back(out, [len(tray)] == np.arange(len(out)), "one-more")


@hookimpl
def deckwright_stages() -> list[type[ExtraStage]]:
    return [ExtraStage]
'''


@pytest.mark.parametrize(("character", "said"), [("Z", ""), ("\u00e9", "holds the character")])
def test_an_added_card_comes_back_in_the_last_deck_or_is_refused(
    shop: Any, tmp_path: Path, character: str, said: str
) -> None:
    """It was in no deck; a character that the deck's code lacks is never made another."""
    job = small(shop, tmp_path)
    stage = f'[[stage]]\nkind = "extra"\ncharacter = "{character}"\n\n[[stage]]\nkind = "emit"'
    text = job.read_text().replace('[[stage]]\nkind = "emit"', stage)
    job.write_text(text.replace('title = "Decks"', 'title = "Decks"\nplugins = ["extra.py"]'))
    (tmp_path / "extra.py").write_text(ADDED)
    decks = {name: tmp_path / f"{name}.dat" for name in NAMES[:2]}
    if said:
        with pytest.raises(DeckwrightError, match=said):
            run_job(job, decks, tmp_path / "run")
        return
    run_job(job, decks, tmp_path / "run")
    back = (tmp_path / "run" / "returned" / "movements.dat").read_text().splitlines()
    assert [line[:11] for line in back] == ["Z0000000123", "Z00000000123"[:11]]
