"""What holds for every run: however it is cut, whoever runs it, wherever it runs."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codetable import ASCII_LATIN
from deckwright.engine.passes.tasks import Recipe, Result, Task
from deckwright.engine.passes.worker import Worker
from deckwright.engine.planning.limits import Sizes
from deckwright.engine.planning.plan import Plan
from deckwright.journal.events import events
from deckwright.journal.logfile import card_events
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from sets import DEAR, first_line
from strategies import SIZES

CARD = st.tuples(
    st.sampled_from(["00001", "00002", "00003", "00004", "00040", "0000A", "     "]),
    st.sampled_from(["00100{", "00100}", "00007E", "99999I", "99999R", "00 00{", "      "]),
    st.sampled_from(["", "checked", "CHECKED", "a,b", 'say "x"', "\xe5"]),
)
DECKS = st.lists(
    st.one_of(CARD.map("".join), st.just("")),
    min_size=1,
    max_size=40,
)

MASTER = "item,name\n00001,Northgate\n00002,Middleton\n00004,Easton\n00009,Nowhere\n"
COPY = """
[[field]]
name = "serial"
columns = "1-6"
kind = "digits"
[[field]]
name = "item"
columns = "8-12"
kind = "digits"
[[field]]
name = "halved"
columns = "14-20"
kind = "decimal"
decimals = 3
sign = "leading"
[[field]]
name = "name"
columns = "31-45"
"""


def chain(shop) -> list[dict]:
    """Return a chain of three passes with every stage in it."""
    return [
        {"kind": "decode", "medium": {"kind": "text", "code": "latin-1"}},
        {"kind": "validate", "layout": "receipts", "most_returned": "100 %"},
        {"kind": "sort", "keys": ["item", {"field": "amount", "order": "descending"}]},
        {
            "kind": "merge",
            "master": "depots",
            "match": {"item": "item"},
            "take": {"name": "name"},
        },
        {"kind": "emit", "output": [{"file": "sorted.txt", "form": "deck"}]},
        {
            "kind": "reproduce",
            "layout": "copy",
            "base": "card",
            "fields": {
                "serial": {"sequence": {"start": 10, "step": 10}},
                "halved": {"compute": "amount / 2"},
            },
        },
        {
            "kind": "emit",
            "output": [
                {"file": "cards.csv", "form": "csv"},
                {"file": "low.csv", "form": "csv", "where": "amount < 1", "columns": ["card"]},
                {"file": "cards.txt", "form": "deck"},
            ],
        },
    ]


@pytest.fixture(scope="module")
def job(tmp_path_factory, shop) -> Path:
    folder = tmp_path_factory.mktemp("job")
    (folder / "depots.csv").write_text(MASTER, encoding="utf-8")
    layouts = {"receipts": shop.receipts, "copy": COPY}
    return shop.job(folder, chain(shop), layouts, files={"depots": "depots.csv"})


def told(run: Path) -> dict[str, bytes]:
    """Return every file of a run but the journal and the sums over it."""
    return {
        path.relative_to(run).as_posix(): path.read_bytes()
        for path in sorted(run.rglob("*"))
        if path.is_file() and path.parent.name != "journal" and path.name != "manifest.json"
    }


@DEAR
@given(DECKS, SIZES)
def test_any_cut_into_tasks_and_trays_gives_the_same_files(job, shop, room, cards, sizes) -> None:
    folder = room()
    deck = shop.deck(folder / "deck.txt", cards)
    whole = shop.run(job, deck, out=folder / "whole").folder
    cut = shop.run(job, deck, out=folder / "cut", sizes=sizes).folder
    assert told(cut) == told(whole)


@DEAR
@given(DECKS, SIZES)
def test_what_a_run_leaves_tells_of_every_card(job, shop, room, cards, sizes) -> None:
    """Four properties of the same runs."""
    folder = room()
    run = shop.run(job, shop.deck(folder / "d.txt", cards), out=folder / "run", sizes=sizes).folder
    assert_every_card_is_in_one_place(run, cards, shop)
    assert_replaying_gives_the_delivery(run, cards, shop)
    assert_the_log_tells_what_the_journal_tells(run)
    assert_every_line_leads_to_its_card_and_back(run, cards)


def assert_every_card_is_in_one_place(run: Path, cards: list[str], shop: Any) -> None:
    control = shop.control(run)
    arriving = len(cards)
    for stage in control["stages"]:
        assert stage["in"] == arriving
        arriving = stage["out"]
        assert stage["in"] + stage["added"] == arriving + stage["returned"] + stage["set_aside"]
    journal = Journal(run)
    left = [int(c) for where, i in last_tasks(journal) for c in journal.left(where, i)]
    gone = fates(journal)
    assert sorted(left + gone) == list(range(1, len(cards) + 1))
    kept = {part: lines_of(run / part / "d.txt") for part in ("returned", "set-aside")}
    own = Counter(f"{card:<80}".rstrip() for card in cards)
    delivered = Counter(cards[card - 1].rstrip() for card in left)
    assert Counter(kept["returned"] + kept["set-aside"]) + delivered == own


def last_tasks(journal: Journal) -> Iterator[tuple]:
    where = journal.passes[-1]
    return ((where, index) for index in range(len(where.tasks)))


def fates(journal: Journal) -> list[int]:
    """Return the cards that left the chain before its end, as the journal tells."""
    tables = [journal.table(where.tasks[index], "fates") for where, index in journal.tasks()]
    return [card for table in tables for card in table["card"].to_list()]


@pytest.mark.parametrize("sizes", [None, Sizes(11, 1), Sizes(1, 1), Sizes(2, 2)])
def test_a_card_that_does_not_fit_leaves_a_gap_in_the_numbers(job, shop, tmp_path, sizes) -> None:
    # numbered is what comes to the stage, so that the numbers do not hang on the cut
    cards = ["0000400100{", "0000499999R", "0000400300{", "0000499999R", "00004      "]
    deck = shop.deck(tmp_path / "d.txt", cards)
    run = shop.run(job, deck, out=tmp_path / "run", sizes=sizes).folder
    lines = lines_of(run / "out" / "cards.txt")
    assert [line[:6] for line in lines] == ["000010", "000020", "000050"]


def lines_of(path: Path) -> list[str]:
    if not path.is_file():
        return []
    return [line.rstrip() for line in path.read_bytes().decode("latin-1").split("\n")[:-1]]


def assert_replaying_gives_the_delivery(run: Path, cards: list[str], shop: Any) -> None:
    text = np.frombuffer(shop.lines(cards), np.uint8).reshape(-1, 81)[:, :80]
    _, images = replay(Journal(run), text, ASCII_LATIN)
    replayed = b"".join(image.tobytes() + b"\n" for image in images)
    assert replayed == (run / "out" / "cards.txt").read_bytes()


def assert_the_log_tells_what_the_journal_tells(run: Path) -> None:
    lines = (run / "log.jsonl").read_text(encoding="utf-8").splitlines()
    logged = [event for event in map(json.loads, lines) if event["event"].startswith("card_")]
    journal = Journal(run)
    again = [json.loads(json.dumps(event)) for event in card_events(journal, events(journal))]
    assert logged == [event | {"level": "info"} for event in again]


def assert_every_line_leads_to_its_card_and_back(run: Path, cards: list[str]) -> None:
    journal = Journal(run)
    for name in ("cards.csv", "low.csv"):
        rows = (run / "out" / name).read_bytes().decode().split("\r\n")[1:-1]
        wanted = [int(row.partition(",")[0]) for row in rows]
        assert journal.output_cards(name).tolist() == wanted
        assert [journal.output_card(name, line + 2) for line in range(len(rows))] == wanted
    order = [int(row.partition(",")[0]) for row in csv_rows(run)]
    assert journal.output_cards("cards.txt").tolist() == order
    lines = lines_of(run / "out" / "sorted.txt")
    found = [journal.output_card("sorted.txt", line + 1) for line in range(len(lines))]
    assert found == journal.output_cards("sorted.txt").tolist()
    assert [cards[card - 1].rstrip() for card in found] == lines
    # cards that do not fit the new card leave after this delivery, and the order stays
    assert [card for card in found if card in order] == order


def csv_rows(run: Path) -> Sequence[str]:
    return (run / "out" / "cards.csv").read_bytes().decode().split("\r\n")[1:-1]


class ThreadExecutor:
    """Runs tasks in two threads, each with a worker of its own: a third way to run them."""

    def start(self, recipe: Recipe, plan: Plan) -> None:
        self._recipe = recipe

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        with ThreadPoolExecutor(2) as pool:
            halves = [pool.submit(self._half, list(tasks)[part::2]) for part in (0, 1)]
            done = [half.result() for half in halves]
        for place in range(len(tasks)):
            yield done[place % 2][place // 2]

    def _half(self, tasks: list[Task]) -> list[Result]:
        worker = Worker(self._recipe)
        return [worker.run(task) for task in reversed(tasks)][::-1]

    def close(self) -> None:
        """Nothing runs between results."""


MANY = [
    f"{(place * 7) % 11:05}{(place * 313) % 9000:05}{'{}E'[place % 3]}{'x' * (place % 5)}"
    if place % 13
    else ("" if place % 2 else "0000A00100{")
    for place in range(150)
]


@pytest.fixture(scope="module")
def inline(job, shop, tmp_path_factory) -> tuple[Path, Path]:
    """Return a deck and the run of it in one process."""
    folder = tmp_path_factory.mktemp("inline")
    deck = shop.deck(folder / "deck.txt", MANY)
    return deck, shop.run(job, deck, out=folder / "run", sizes=Sizes(20, 6)).folder


@pytest.mark.parametrize("workers", first_line([2, 3], 3))
def test_worker_processes_give_the_same_run_folder(workers, job, shop, inline, tmp_path) -> None:
    deck, run = inline
    sizes = Sizes(20, 6)
    again = shop.run(job, deck, out=tmp_path / "run", sizes=sizes, workers=workers).folder
    assert shop.sums(again) == shop.sums(run)


def test_any_other_executor_gives_the_same_run_folder(job, shop, inline, tmp_path) -> None:
    deck, run = inline
    sizes = Sizes(20, 6)
    again = shop.run(job, deck, out=tmp_path / "run", sizes=sizes, executor=ThreadExecutor())
    assert shop.sums(again.folder) == shop.sums(run)


@pytest.mark.parametrize(
    "env",
    [
        {"TZ": "Pacific/Kiritimati", "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "1"},
        {"TZ": "America/St_Johns", "LC_ALL": "C", "PYTHONHASHSEED": "4242", "PYTHONUTF8": "0"},
    ],
)
def test_time_zone_locale_and_hash_seed_change_no_byte(env, job, shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "deck.txt", MANY)
    here = shop.run(job, deck, out=tmp_path / "here").folder
    said = shop.call("run", job, deck, "--out", tmp_path / "there", "--workers", 1, env=env)
    assert said.code == 0, said.err
    assert shop.sums(tmp_path / "there") == shop.sums(here)


def test_another_folder_and_another_working_directory_change_no_byte(
    shop, tmp_path, monkeypatch
) -> None:
    runs = []
    for name in ("one", "another with blanks \xe9"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "depots.csv").write_text(MASTER, encoding="utf-8")
        layouts = {"receipts": shop.receipts, "copy": COPY}
        shop.job(folder, chain(shop), layouts, files={"depots": "depots.csv"})
        shop.deck(folder / "deck.txt", MANY)
        monkeypatch.chdir(folder)
        said = shop.say("run", "job.toml", "deck.txt", "--out", "run")
        assert said.code == 0, said.err
        runs.append(shop.sums(folder / "run"))
    assert runs[0] == runs[1]
    text = b"".join(shop.files(tmp_path / "one" / "run").values())
    assert str(tmp_path).encode() not in text


@DEAR
@given(st.lists(DECKS, min_size=2, max_size=3), SIZES)
def test_several_decks_give_what_they_give_stacked(job, shop, room, decks, sizes) -> None:
    folder = room()
    paths = [shop.deck(folder / f"d{n}.txt", cards) for n, cards in enumerate(decks)]
    stacked = shop.deck(folder / "all.txt", [card for cards in decks for card in cards])
    apart = shop.run(job, *paths, out=folder / "apart", sizes=sizes).folder
    whole = shop.run(job, stacked, out=folder / "whole", sizes=sizes).folder
    assert shop.files(apart / "out") == shop.files(whole / "out")
    for part in ("returned", "set-aside"):
        lines = [line for path in paths for line in lines_of(apart / part / path.name)]
        assert lines == lines_of(whole / part / "all.txt")
    journal = Journal(apart)
    for card in fates(journal):
        name, place = journal.deck_of(card)
        assert (apart / "returned" / name).exists() or (apart / "set-aside" / name).exists()
        assert journal.card_in(name, place) == card


def test_reasons_name_deck_and_place_when_several_decks_run(job, shop, tmp_path) -> None:
    one = shop.deck(tmp_path / "one.txt", ["0000100100{", "0000A00100{"])
    two = shop.deck(tmp_path / "two.txt", ["", "0000B00100{", "0000100100{", "0000C00100{"])
    run = shop.run(job, one, two, out=tmp_path / "run").folder
    lines = (run / "returned" / "reasons.csv").read_bytes().decode().split("\r\n")
    assert lines[0].startswith("card,deck,card_in_deck,place_in_returned_deck,stage,reason,field")
    starts = [",".join(line.split(",")[:4]) for line in lines[1:-1]]
    assert starts == ["2,one.txt,2,1", "4,two.txt,2,1", "6,two.txt,4,2"]
    assert lines_of(run / "returned" / "two.txt") == ["0000B00100{", "0000C00100{"]


def test_two_decks_of_one_name_lose_no_returned_card(job, shop, tmp_path) -> None:
    decks = []
    for name, card in (("a", "0000A00100{"), ("b", "0000B00100{")):
        (tmp_path / name).mkdir()
        decks.append(shop.deck(tmp_path / name / "deck.txt", [card, "0000100100{"]))
    said = shop.say("run", job, *decks, "--out", tmp_path / "run", "--workers", 1)
    if said.code:
        assert "deck.txt" in said.err
        assert not (tmp_path / "run").exists()
        return
    returned = b"".join(
        data
        for name, data in shop.files(tmp_path / "run" / "returned").items()
        if not name.endswith("reasons.csv")
    )
    assert b"0000A00100{" in returned
    assert b"0000B00100{" in returned


def test_a_deck_named_as_the_list_of_reasons_loses_no_returned_card(job, shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "reasons.csv", ["0000A00100{", "0000100100{"])
    said = shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)
    if said.code:
        assert "reasons.csv" in said.err
        return
    files = shop.files(tmp_path / "run" / "returned")
    assert any(data.startswith(b"0000A00100{") for data in files.values())
    assert any(b"not-a-digit" in data for data in files.values())


def test_the_manifest_names_every_file_with_its_sum(job, shop, inline) -> None:
    _, run = inline
    manifest = json.loads((run / "manifest.json").read_text("utf-8"))
    sums = {file["name"]: file["sha256"] for file in manifest["files"]}
    own = shop.sums(run)
    del own["manifest.json"]
    assert sums == own
    sizes = {file["name"]: file["size"] for file in manifest["files"]}
    assert sizes == {name: len(data) for name, data in shop.files(run).items() if name in sums}
    assert manifest["files_used"]["depots"]["name"] == "depots.csv"


def test_the_config_of_a_run_runs_again_to_the_same_deliveries(shop, inline, tmp_path) -> None:
    deck, run = inline
    master = tmp_path / "depots.csv"
    master.write_text(MASTER, encoding="utf-8")
    config = run / "config" / "job.toml"
    named = {"depots": str(master)}
    again = shop.run(config, deck, out=tmp_path / "run", replaced=named).folder
    assert shop.sums(again / "out") == shop.sums(run / "out")


def test_the_log_tells_every_card_that_left_and_no_time(shop, inline) -> None:
    _, run = inline
    told_events = [json.loads(line) for line in (run / "log.jsonl").read_text("utf-8").splitlines()]
    kinds = Counter(event["event"] for event in told_events)
    control = shop.control(run)
    assert kinds["card_returned"] == control["equation"]["returned"]
    assert kinds["card_set_aside"] == control["equation"]["set_aside"]
    assert kinds["stage_finished"] == len(control["stages"])
    assert kinds["card_matched"] == next(
        stage["facts"]["matched"] for stage in control["stages"] if stage["kind"] == "merge"
    )
    assert not any("time" in key for event in told_events for key in event)
