"""The contract for stages, held by those of the program and by the first example of the guide."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from decimal import Decimal
from pathlib import Path

import pytest

from deckwright.engine.planning.limits import Sizes
from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from deckwright.testing import LAYOUT, StageContract, example_deck
from guide_plugins import guide_plugin

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
MASTER = "item,name,rate\n" + "".join(
    f"{item:05},Depot {item},{item}.5\n" for item in range(20) if item != 3
)


def example_plugin() -> str:
    """Return the first Python block of DEVELOPERS.md: the plugin in one file."""
    blocks = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return next(block for block in blocks if "class DoubtfulStage" in block)


class TestValidate(StageContract):
    kind = "validate"
    options = {"layout": "contract"}  # noqa: RUF012 # as the guide shows it
    before = ()


class TestValidateThatReturns(StageContract):
    kind = "validate"
    options = {"layout": "strict", "most_returned": "100 %"}  # noqa: RUF012

    def setup_files(self, folder: Path) -> None:
        strict = self.layout.replace('sign = "overpunch-right"', 'sign = "overpunch-right"\nlow=0')
        (folder / "strict.toml").write_text(strict, encoding="utf-8")

    def test_some_cards_are_returned_and_some_are_not(self, tmp_path: Path) -> None:
        outcome = self.run_stage(tmp_path, "run")
        assert 0 < outcome.returned < outcome.cards


class TestSort(StageContract):
    kind = "sort"
    options = {  # noqa: RUF012
        "keys": ["item", {"field": "amount", "order": "descending"}]
    }


class TestMerge(StageContract):
    kind = "merge"
    options = {  # noqa: RUF012
        "master": "depots",
        "match": {"item": "item"},
        "take": {"depot": "name", "rate": "rate"},
    }
    files = {"depots": "depots.csv"}  # noqa: RUF012

    def setup_files(self, folder: Path) -> None:
        (folder / "depots.csv").write_text(MASTER, encoding="utf-8")

    def test_cards_without_master_come_back(self, tmp_path: Path) -> None:
        outcome = self.run_stage(tmp_path, "run")
        lines = example_deck().splitlines()
        alone = [place + 1 for place, line in enumerate(lines) if line.startswith(b"00003")]
        reasons = (outcome.folder / "returned" / "reasons.csv").read_text(encoding="utf-8")
        cards = [int(line.partition(",")[0]) for line in reasons.splitlines()[1:]]
        assert cards == alone
        assert alone


class TestEmit(StageContract):
    kind = "emit"
    options = {  # noqa: RUF012
        "output": [
            {"file": "some.csv", "form": "csv", "columns": ["item", "amount"]},
            {"file": "more.deck", "form": "deck"},
        ]
    }


@pytest.mark.slow
class TestEmitThatCompletes(StageContract):
    kind = "emit"
    options = {  # noqa: RUF012
        "output": [
            {"file": "some.parquet", "form": "parquet", "where": "amount > 1"},
            {"file": "some.sqlite", "form": "sqlite", "columns": ["card", "item", "amount"]},
            {"file": "some.jsonl", "form": "json-lines"},
        ]
    }


class TestFormOfTheGuide(StageContract):
    kind = "emit"
    options = {"output": [{"file": "some.tsv", "form": "tabs"}]}  # noqa: RUF012
    plugins = ("tabs.py",)

    def setup_files(self, folder: Path) -> None:
        (folder / "tabs.py").write_text(guide_plugin("tabs"), encoding="utf-8")

    def test_values_stand_between_tabs(self, tmp_path: Path) -> None:
        out = self.run_stage(tmp_path, "run").folder / "out"
        lines = (out / "some.tsv").read_text(encoding="utf-8").splitlines()
        assert lines[:2] == ["card\titem\tamount\tnote", "1\t00000\t0.00\tchecked"]
        assert len(lines) == 61
        schema = json.loads((out / "some.tsv.schema.json").read_text(encoding="utf-8"))
        assert [field["name"] for field in schema["fields"]] == ["card", "item", "amount", "note"]

    def test_a_heading_that_it_cannot_hold_is_refused(self, tmp_path: Path, shop) -> None:
        column = {"field": "item", "as": "a\tb"}
        output = [{"file": "some.tsv", "form": "tabs", "columns": [column]}]
        said = shop.say("check", self.job(tmp_path, {"output": output}))
        assert said.code == 2
        assert "holds a tab, which parts the headings" in said.err


@pytest.mark.slow
class TestCompletedFormOfTheGuide(StageContract):
    kind = "emit"
    options = {  # noqa: RUF012
        "output": [{"file": "some.zip", "form": "zipped", "where": "amount > 10"}]
    }
    plugins = ("zipped.py",)

    def setup_files(self, folder: Path) -> None:
        (folder / "zipped.py").write_text(guide_plugin("zipped"), encoding="utf-8")

    def test_the_archive_holds_what_a_csv_would(self, tmp_path: Path) -> None:
        out = self.run_stage(tmp_path, "run").folder / "out"
        with zipfile.ZipFile(out / "some.zip") as archive:
            lines = archive.read("cards.csv").decode().splitlines()
        every = (out / "cards.csv").read_text(encoding="utf-8").splitlines()
        assert lines == [every[0], *(line for line in every[1:] if self.above(line))]
        assert 1 < len(lines) < len(every)

    @staticmethod
    def above(line: str) -> bool:
        return Decimal(line.split(",")[2]) > 10


class TestFinisherOfTheGuide(StageContract):
    kind = "code-book"
    options = {"file": "about/columns.csv"}  # noqa: RUF012
    plugins = ("book.py",)

    def setup_files(self, folder: Path) -> None:
        (folder / "book.py").write_text(guide_plugin("code-book"), encoding="utf-8")


class TestReproduce(StageContract):
    kind = "reproduce"
    options = {  # noqa: RUF012
        "layout": "copy",
        "fields": {
            "doubled": {"compute": "amount * 2"},
            "code": {"constant": "K7"},
            "serial": {"sequence": {"start": 10, "step": 10}},
            "place": {"move": "item"},
        },
    }
    layout_of_copy = """
[[field]]
name = "serial"
columns = "1-6"
kind = "digits"
[[field]]
name = "place"
columns = "10-14"
kind = "digits"
[[field]]
name = "doubled"
columns = "20-28"
kind = "decimal"
decimals = 2
sign = "leading"
[[field]]
name = "note"
columns = "30-48"
[[field]]
name = "code"
columns = "79-80"
"""

    def setup_files(self, folder: Path) -> None:
        (folder / "copy.toml").write_text(self.layout_of_copy, encoding="utf-8")


@pytest.mark.slow
class TestReproduceOverTheOldCard(TestReproduce):
    options = {**TestReproduce.options, "base": "card"}  # noqa: RUF012


class TestExampleOfTheGuide(StageContract):
    kind = "doubtful"
    options = {"field": "amount", "limit": "50.00"}  # noqa: RUF012
    plugins = ("doubtful.py",)

    def setup_files(self, folder: Path) -> None:
        (folder / "doubtful.py").write_text(example_plugin(), encoding="utf-8")

    def test_doubtful_cards_are_queried_and_go_on(self, tmp_path: Path) -> None:
        outcome = self.run_stage(tmp_path, "run")
        listed = (outcome.folder / "queries.csv").read_text(encoding="utf-8").splitlines()[1:]
        amounts = {place: (place * 313) % 9000 for place in range(60)}
        above = [place + 1 for place, amount in amounts.items() if place % 3 and amount > 5000]
        assert [int(line.partition(",")[0]) for line in listed] == above
        assert above
        assert outcome.delivered == 60

    def test_the_option_is_checked_like_those_of_the_program(self, tmp_path: Path, shop) -> None:
        job = self.job(tmp_path, {"field": "ammount"})
        said = shop.say("check", job)
        assert said.code == 2
        assert "did you mean 'amount'" in said.err
        job = self.job(tmp_path, {"limit": "much"})
        said = shop.say("check", job)
        assert said.code == 2
        assert "limit" in said.err


@pytest.mark.parametrize("kind", ["in-step", "balance"])
def test_an_example_of_a_shape_takes_few_lines(kind) -> None:
    code = [line for line in guide_plugin(kind).splitlines() if line.strip()]
    assert len(code) < 40


class TestGroupsOfTheGuide(StageContract):
    kind = "balance"
    plugins = ("balance.py",)
    layout = """
[[field]]
name = "batch"
columns = "1-3"
kind = "digits"
[[field]]
name = "type"
columns = "4"
kind = "choice"
choices = ["H", "D", "T"]
[[field]]
name = "cards"
columns = "5-7"
kind = "whole"
[[field]]
name = "amount"
columns = "8-13"
kind = "decimal"
decimals = 2
"""

    def setup_files(self, folder: Path) -> None:
        (folder / "balance.py").write_text(guide_plugin("balance"), encoding="utf-8")

    def deck(self) -> bytes:
        """Return batches in no order: some right, some wrong, some short of a bad card."""
        lines = []
        for batch in (7, 3, 9, 1, 4):
            total = count = batch if batch == 3 else 0
            details = []
            for place in range(2 + batch):
                amount = 100 * batch + place
                total, count = total + amount, count + 1
                bad = batch in {4, 9} and place == 1
                details.append(f"{batch:03}D   {f'{amount:06}' if not bad else '00X0.0'}")
            count += batch == 1
            lines += [f"{batch:03}H{count:03}", *details, f"{batch:03}T   {total:06}"]
        return "".join(f"{line:<80}\n" for line in lines).encode()

    def test_batches_out_of_balance_are_told_from_those_that_are_short(self, tmp_path) -> None:
        outcome = self.run_stage(tmp_path, "run", Sizes(5, 3))
        reasons = (outcome.folder / "returned" / "reasons.csv").read_text(encoding="utf-8")
        queries = (outcome.folder / "queries.csv").read_text(encoding="utf-8")
        lines = [line.decode() for line in self.deck().splitlines()]
        number = {line[:4]: place for place, line in enumerate(lines, 1)}
        told = {name: [number[f"{batch:03}T"] for batch in batches] for name, batches in (
            ("wrong-total", [3]), ("wrong-count", [3, 1]), ("batch-short", [9, 4]),
        )}  # fmt: skip
        for name, cards in told.items():
            listed = [line for line in (reasons + queries).splitlines() if f",{name}," in line]
            assert [int(line.partition(",")[0]) for line in listed] == cards


class TestScanOfTheGuide(StageContract):
    kind = "in-step"
    options = {"field": "item"}  # noqa: RUF012
    plugins = ("in_step.py",)
    layout = LAYOUT.replace('kind = "digits"', 'kind = "whole"')

    def setup_files(self, folder: Path) -> None:
        (folder / "in_step.py").write_text(guide_plugin("in-step"), encoding="utf-8")

    def test_cards_out_of_sequence_are_queried(self, tmp_path: Path) -> None:
        outcome = self.run_stage(tmp_path, "run")
        listed = (outcome.folder / "queries.csv").read_text(encoding="utf-8").splitlines()[1:]
        items = [int(line[:5]) for line in self.deck().splitlines()]
        odd = [n for n in range(2, len(items) + 1) if items[n - 1] != items[n - 2] + 1]
        assert [int(line.partition(",")[0]) for line in listed] == odd
        assert odd


SCAN = '''"""A scan whose state depends on how the cards are cut."""

import numpy as np

from deckwright import FieldShape, ScanStage, StageConfig, Values, hookimpl


class WrongConfig(StageConfig):
    """No options."""


class WrongStage(ScanStage[WrongConfig, int]):
    kind = "wrong"

    def outline(self, known):
        return known.with_fields({{"extra": FieldShape("whole", 9)}})

    def fold(self, tray):
        return {fold}

    def join(self, earlier, later):
        return {join}

    def run(self, tray, book, before, total):
        {body}
        return tray.with_field("extra", Values("whole", np.full(len(tray), {extra}, np.int64)))


@hookimpl
def deckwright_stages():
    return [WrongStage]
'''

STATES = "test_states_of_a_scan_join_alike_however_the_cards_are_cut"
CUT = "test_nothing_depends_on_how_the_cards_are_cut"
BAD_SCANS = {
    "counts trays": ("1", "earlier + later", "", "0", STATES, "give the state 3, but"),
    "is not the same from either side": (
        "len(tray)", "2 * earlier + later", "", "0", STATES, "give the state ",
    ),
    "gives each card what it knows before its tray": (
        "len(tray)", "earlier + later", "", "before or 0", CUT, "^out/cards.csv, line ",
    ),
    "asks at the border of a tray": (
        "len(tray)", "earlier + later",
        'book.fault(tray, np.arange(len(tray)) == 0, "first", severity="note")', "0",
        CUT, "^notes.csv, line ",
    ),
}  # fmt: skip


@pytest.mark.parametrize("how", BAD_SCANS)
def test_the_contract_finds_a_scan_that(how, tmp_path) -> None:
    fold, join, body, extra, test, said = BAD_SCANS[how]
    text = SCAN.format(fold=fold, join=join, body=body or "pass", extra=extra)
    (tmp_path / "wrong.py").write_text(text, encoding="utf-8")
    contract = type("Contract", (StageContract,), {"kind": "wrong", "plugins": ["wrong.py"]})()
    with pytest.raises(AssertionError, match=said):
        getattr(contract, test)(tmp_path)


WRONG = '''"""A stage that depends on how the cards are cut, in one way."""

import os

import numpy as np

from deckwright import (
    Book, FieldShape, StageConfig, Tray, TrayStage, Values, hookimpl,
)

EVERYONE = []


class WrongConfig(StageConfig):
    """No options."""


class WrongStage(TrayStage[WrongConfig]):
    kind = "wrong"
    seen = 0

    def outline(self, known):
        return known.with_fields({{"extra": FieldShape("whole", 9)}})

    def extra(self, tray, numbers):
        return tray.with_field("extra", Values("whole", np.asarray(numbers, np.int64)))

    def run(self, tray, book):
        count = len(tray)
        tray = self.extra(tray, [0] * count)
        {body}
        return tray


@hookimpl
def deckwright_stages():
    return [WrongStage]
'''

WHO = "test_nothing_depends_on_who_runs_the_tasks"
DEPENDS = {
    "a neighbour looked up at the border of a tray": (
        """amount = tray.values("amount").data
        down = np.r_[False, amount[1:] < amount[:-1]]
        book.fault(tray, down, "falls", field="amount", severity="query")""",
        CUT, "queries.csv",
    ),
    "a note on the first card of a tray": (
        """book.fault(tray, np.arange(count) == 0, "first", severity="note")""",
        CUT, "notes.csv",
    ),
    "the number of cards of a tray in the detail of a query": (
        """book.fault(tray, tray.cards > 0, "all", detail=f"of {count}", severity="query")""",
        CUT, "queries.csv",
    ),
    "cards numbered within a tray": (
        "tray = self.extra(tray, np.arange(count))", CUT, "out/cards.csv",
    ),
    "the share of a tray returned": (
        """tray = book.give_back(tray, np.arange(count) == count - 1, "last")""",
        CUT, "out/cards.csv",
    ),
    "cards of a tray set aside": (
        """tray = book.set_aside(tray, np.arange(count) == count - 1, "last")""",
        CUT, "out/cards.csv",
    ),
    "a sum over a tray": (
        """tray = self.extra(tray, [int(tray.values("amount").data.sum())] * count)""",
        CUT, "out/cards.csv",
    ),
    "trays counted for the control sheet": ("""book.tally("trays", 1)""", CUT, "control.json"),
    "a state between trays": (
        """self.seen += count
        tray = self.extra(tray, [self.seen] * count)""",
        CUT, "out/cards.csv",
    ),
    "what other tasks of the process have seen": (
        """EVERYONE.append(int(tray.cards[0]))
        tray = self.extra(tray, [EVERYONE[0]] * count)""",
        WHO, "out/cards.csv",
    ),
    "the process": ("tray = self.extra(tray, [os.getpid()] * count)", WHO, "out/cards.csv"),
    "chance": (
        "tray = self.extra(tray, np.random.default_rng().integers(0, 10**6, count))",
        WHO, "out/cards.csv",
    ),
}  # fmt: skip


@pytest.mark.parametrize("how", DEPENDS)
def test_the_contract_finds_a_stage_that_depends_on(how, tmp_path) -> None:
    body, test, files = DEPENDS[how]
    (tmp_path / "wrong.py").write_text(WRONG.format(body=body), encoding="utf-8")
    given = {"kind": "wrong", "plugins": ["wrong.py"]}
    contract = type("Contract", (StageContract,), given)()
    with pytest.raises(AssertionError, match=rf"^({files}), line \d+: .*, but .* where "):
        getattr(contract, test)(tmp_path)


def test_the_contract_passes_a_stage_that_looks_at_each_card_alone(tmp_path) -> None:
    body = """amount = tray.values("amount").data
        tray = self.extra(tray, amount * 2)
        book.fault(tray, amount > 4000, "much", field="amount", severity="query")
        tray = book.give_back(tray, amount % 7 == 0, "seven")"""
    (tmp_path / "wrong.py").write_text(WRONG.format(body=body), encoding="utf-8")
    contract = type("Contract", (StageContract,), {"kind": "wrong", "plugins": ["wrong.py"]})()
    getattr(contract, CUT)(tmp_path)
    for path in tmp_path.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
    getattr(contract, WHO)(tmp_path)
    assert any(tmp_path.iterdir())  # the runs that were compared


PLUGIN = '''"""A stage that misbehaves in one way."""

from __future__ import annotations

import dataclasses

import numpy as np

from deckwright import Book, StageConfig, Tray, TrayStage, Values, hookimpl


class BadConfig(StageConfig):
    """No options."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        {body}


@hookimpl
def deckwright_stages():
    return [BadStage]
'''

BAD = {
    "raises": ('raise RuntimeError("out of paper")', "failed on cards 1 to 5", "out of paper"),
    "loses": ("return tray.take(np.arange(len(tray) - 1))", "lost a card", "card 5"),
    "loses-all": ("return tray.take(np.arange(0))", "lost a card", "card 1, 2, 3, 4, 5"),
    "doubles": ("return tray.take(np.array([0, 1, 1, 2, 3, 4]))", "doubled a card", "card 2"),
    "renumbers": (
        "return dataclasses.replace(tray, cards=tray.cards + 100)",
        "brought a card number that did not come in",
        "card 101",
    ),
    "brings-unasked": (
        "return dataclasses.replace(tray.take(np.r_[0:5, 0]), cards=np.r_[tray.cards, 77])",
        "brought a card number that did not come in",
        "card 77",
    ),
    "exchanges-a-card-for-another": (
        "return tray.take(np.array([0, 1, 2, 3, 3]))",
        "lost a card",
        "card 5",
    ),
    "returns-and-keeps": (
        'book.give_back(tray, tray.cards == 3, "bad"); return tray',
        "doubled a card",
        "card 3",
    ),
    "returns-and-sets-aside": (
        (
            'rest = book.give_back(tray, tray.cards == 3, "bad"); '
            'book.set_aside(tray, tray.cards == 3, "bad"); return rest'
        ),
        "doubled a card",
        "card 3",
    ),
    "adds-and-forgets": ("book.add_cards(2); return tray", "lost a card", "card 1"),
    "changes-text-in-place": ("tray.text[0, 0] = 65; return tray", "failed on cards", "read-only"),
    "renumbers-in-place": ("tray.cards[0] = 9; return tray", "failed on cards", "read-only"),
    "changes-a-field-in-place": (
        'tray.values("amount").data[0] = 9; return tray',
        "failed on cards",
        "read-only",
    ),
    "changes-a-text-field-in-place": (
        'tray.values("note").data[0] = 57; return tray',
        "failed on cards",
        "read-only",
    ),
}
NO_TRAY = {
    "nothing": ("return None", "returned NoneType in place of a tray"),
    "a-matrix": ("return tray.text", "returned ndarray in place of a tray"),
    "ragged": (
        "return dataclasses.replace(tray, text=tray.text[:-1])",
        "returned columns of different lengths",
    ),
}


@pytest.fixture
def bad_run(tmp_path: Path, shop):
    """Return a runner of a chain with a misbehaving stage; four cards and the command's answer."""

    def run(body: str):
        (tmp_path / "bad.py").write_text(PLUGIN.format(body=body), encoding="utf-8")
        job = shop.job(tmp_path, shop.chain({"kind": "bad"}), plugins=["bad.py"])
        deck = shop.deck(tmp_path / "deck.txt", [shop.receipt(item) for item in range(1, 6)])
        return shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)

    return run


@pytest.mark.parametrize("how", BAD)
def test_a_stage_that_breaks_the_account_fails_by_name_and_card(how, tmp_path, bad_run) -> None:
    body, what, detail = BAD[how]
    said = bad_run(body)
    assert said.code == 3, said
    assert said.err.count("\n") == 1 + said.err.count("of 5 cards")
    for part in ("stage 3 (bad)", "bad.py", what, detail):
        assert part in said.err
    assert "Traceback" not in said.err
    assert {path.name for path in tmp_path.iterdir()} == {
        "bad.py", "job.toml", "receipts.toml", "deck.txt",
    }  # fmt: skip


@pytest.mark.parametrize("how", NO_TRAY)
def test_a_stage_that_gives_no_tray_fails_by_name(how, tmp_path, bad_run) -> None:
    body, what = NO_TRAY[how]
    said = bad_run(body)
    assert said.code == 3, said
    for part in ("stage 3 (bad)", "bad.py", what):
        assert part in said.err
    assert not [path for path in tmp_path.iterdir() if path.is_dir()]


def test_a_stage_that_raises_shows_its_traceback_when_asked(tmp_path, shop) -> None:
    body = 'raise RuntimeError("out of paper")'
    (tmp_path / "bad.py").write_text(PLUGIN.format(body=body), encoding="utf-8")
    job = shop.job(tmp_path, shop.chain({"kind": "bad"}), plugins=["bad.py"])
    deck = shop.deck(tmp_path / "deck.txt", [shop.receipt(1)])
    said = shop.say("--verbose", "run", job, deck, "--out", tmp_path / "run")
    assert said.code == 3
    assert "failed on card 1:" in said.err
    assert 'raise RuntimeError("out of paper")' in said.err


def changes(run: Path, card: int) -> dict[str, object]:
    """Return the fields that stage 3 changed on a card, as the journal tells them."""
    found = [e for e in events(Journal(run), card=card, stage=3) if e["event"] == "card_changed"]
    return {name: change for event in found for name, change in event["fields"].items()}


def test_text_changed_by_a_new_tray_stands_in_the_journal(tmp_path, bad_run) -> None:
    body = (
        "text = tray.text.copy(); text[1, 4] = 57; "
        "return tray.with_text(text, tray.readings[-1].layout)"
    )
    assert bad_run(body).code == 0
    run = tmp_path / "run"
    assert changes(run, 2) == {"item": {"before": "00002", "after": "00009"}}
    assert changes(run, 1) == {}
    assert (run / "out" / "cards.txt").read_bytes().splitlines()[1].startswith(b"00009")
    told = [json.loads(line) for line in (run / "log.jsonl").read_text("utf-8").splitlines()]
    assert [e["card"] for e in told if e["event"] == "card_changed"] == [2]


def test_text_exchanged_without_its_layout_stands_in_the_journal(tmp_path, bad_run) -> None:
    body = "text = tray.text.copy(); text[1, 39] = 57; return dataclasses.replace(tray, text=text)"
    assert bad_run(body).code == 0
    assert changes(tmp_path / "run", 2) == {"columns 31-80": {
        "before": " " * 50, "after": f"{'9':>10}".ljust(50),
    }}  # fmt: skip


def test_a_field_changed_by_a_new_tray_stands_in_the_journal(tmp_path, bad_run) -> None:
    body = (
        'old = tray.values("amount"); data = old.data.copy(); data[2] = 777; '
        'return tray.with_field("amount", Values("decimal", data, None, 2))'
    )
    assert bad_run(body).code == 0
    run = tmp_path / "run"
    assert "7.77" in (run / "out" / "cards.csv").read_text("utf-8")
    assert changes(run, 3) == {"amount": {"before": "10.00", "after": "7.77"}}
    assert changes(run, 2) == {}


ORDER = {
    "a-tray-turned-round": "return tray.take(np.arange(len(tray))[::-1])",
    "numbers-exchanged": "return dataclasses.replace(tray, cards=tray.cards[[0, 2, 1, 3, 4]])",
    "turned-round-with-a-card-returned": (
        'rest = book.give_back(tray, tray.cards == 3, "bad"); return rest.take(np.arange(4)[::-1])'
    ),
}


@pytest.mark.parametrize("how", ORDER)
def test_a_stage_that_is_no_sort_and_changes_the_order_is_refused(how, tmp_path, bad_run) -> None:
    # what it delivered would depend on where one tray ends, and no journal would tell of it
    said = bad_run(ORDER[how])
    assert said.code == 3, said
    for part in ("stage 3 (bad)", "bad.py", "order", "card "):
        assert part in said.err
    assert not (tmp_path / "run").exists()
