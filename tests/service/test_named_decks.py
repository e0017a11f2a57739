"""Jobs of several decks in the service: one deck comes from the inbox, the others are carried."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator

import pytest

from guide_plugins import guide_plugin
from service.house import House, house
from sets import sizes
from stock_card import STOCK

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
fill = " "
"""
MASTER = """
[[deck]]
name = "master"
file = "stock"
layout = "stored"
medium = { kind = "blocks", code = "cp037", record_length = 40 }
"""
JOB = """
title = "Update (invented)"
plugins = ["update.py"]

[files]
stock = "../first.deck"
MASTER
[[deck]]
name = "movements"
medium = { kind = "text" }
layout = "movement"

[[stage]]
kind = "validate"
most_returned = "100 %"

[[stage]]
kind = "sort"
keys = ["item", "deck"]

[[stage]]
kind = "update"
layout = "stored"

[[stage]]
kind = "emit"

[[stage.output]]
file = "stock.deck"
form = "deck"
medium = { kind = "blocks", code = "cp037", record_length = 40 }
""".replace("MASTER", MASTER)
LANE = '[jobs.update]\nmaster = "stock"\nnext_master = "stock.deck"\n'


def stock(*amounts: int) -> bytes:
    """Return the cards of a master: items from 1 on, with these amounts."""
    lines = (f"{item:05}{amount:06}".ljust(40) for item, amount in enumerate(amounts, 1))
    return "".join(lines).encode("cp037")


def moves(*quantities: int) -> bytes:
    """Return movements: items from 1 on, with these quantities."""
    lines = (f"  {item:05}   {quantity:6}\n" for item, quantity in enumerate(quantities, 1))
    return "".join(lines).encode("ascii")


@pytest.fixture
def depot() -> Iterator[House]:
    """Give a house with the job `update` and its first master."""
    with house() as made:
        config = made.root / "config"
        (config / "layouts" / "stored.toml").write_text(STOCK)
        (config / "layouts" / "movement.toml").write_text(MOVEMENT)
        (config / "jobs" / "update.py").write_text(guide_plugin("update"))
        (config / "jobs" / "update.toml").write_text(JOB)
        (config / "first.deck").write_bytes(stock(100, 200, 300))
        made.settings(LANE)
        yield made


def test_a_carried_master_meets_the_decks_of_the_inbox_one_after_the_other(depot: House) -> None:
    """Each run reads what the one before made, and says which deck is which."""
    runs = [depot.drop(f"week{n}", moves(n, 2 * n, 0, 5), "update") for n in (1, 2, 3)]
    with depot.serving():
        for run in runs:
            depot.done(run)
    (place,) = (depot.root / "master").glob("*/current")
    assert place.read_bytes() == stock(106, 212, 300)
    depot.check(ended=True)
    out = depot.root / "done" / runs[1] / "out"
    decks = json.loads((out / "control.json").read_text())["decks"]
    assert [(d["name"], d["file"], d.get("from"), d["cards"]) for d in decks] == [
        ("master", "first.deck", "stock", 3), ("movements", "week2", None, 4),
    ]  # fmt: skip
    assert (out / "returned" / "week2").read_bytes() == moves(0, 0, 0, 5)[-17:]
    assert depot.say("verify", depot.root)[0] == 0


def test_two_decks_from_the_inbox_hold_the_job(depot: House) -> None:
    """One sentence says what is wanted, with file and line; other jobs go on."""
    job = depot.root / "config" / "jobs" / "update.toml"
    job.write_text(JOB.replace('file = "stock"\n', ""))
    depot.settings()
    run = depot.drop("other", b"00001000005\n")
    with depot.serving():
        fault = depot.told("job_refused")["fault"]
        depot.done(run)
    assert fault.startswith("config/jobs/update.toml:")
    assert (
        "one deck of a served job comes from the inbox, here 'master' and 'movements' would; give "
        "the others the key 'file'"
    ) in fault


@pytest.mark.parametrize("kills", sizes(slow=12, long=60))
def test_killed_at_any_time_each_deck_is_posted_once(depot: House, kills: int) -> None:
    """Whatever is cut off, the master is that of one run after the other."""
    chance = random.Random(kills)  # noqa: S311 # repeatable
    names = [f"week{n}" for n in range(1, 5)]
    runs = [depot.drop(name, moves(n, 10 * n), "update") for n, name in enumerate(names, 1)]
    for _ in range(kills):
        depot.start()
        after = chance.choice(["deck_taken", "run_started", "deck_done"])
        if not all(depot.state(run) == "done" for run in runs):
            seen = len(depot.log())
            depot.wait(
                lambda seen=seen, after=after: (
                    any(line["event"] in {after, "deck_done"} for line in depot.log()[seen:])
                    or all(depot.state(run) == "done" for run in runs)
                ),
                after,
            )
        depot.kill()
    with depot.serving():
        for run in runs:
            depot.done(run)
    (place,) = (depot.root / "master").glob("*/current")
    assert place.read_bytes() == stock(110, 300, 300)
    depot.check(ended=True)
