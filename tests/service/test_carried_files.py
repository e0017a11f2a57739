"""A file that is no master is carried from run to run as safely as one, and comes back as one."""

from __future__ import annotations

import json

import pytest

from deckwright.service.operate.verify import verify
from deckwright.service.system.places import Workspace
from guide_plugins import guide_plugin
from service.house import House, card, chain, deck, house

LANE = '[jobs.cards]\nmaster = "register"\nnext_master = "register.csv"\n'
FIRST = b"batch\n00001\n"


def registering(made: House) -> None:
    """Write the job `cards` with the register of the guide."""
    config = made.root / "config"
    (config / "batches.csv").write_bytes(FIRST)
    (config / "jobs" / "register.py").write_text(guide_plugin("register"), encoding="utf-8")
    path = made.job(
        "cards",
        chain({"kind": "register", "field": "item"}),
        files={"register": "../batches.csv"},
    )
    path.write_text('plugins = ["register.py"]\n' + path.read_text("utf-8"), encoding="utf-8")
    made.settings(LANE)


def batches(*items: int) -> bytes:
    """Return a register."""
    return b"batch\n" + b"".join(b"%05d\n" % item for item in items)


def carried(made: House, run: str) -> tuple[str, str]:
    """Return the SHA-256 of the register that a run has read and of the one that it made."""
    path = made.root / "done" / run / "out" / "manifest.json"
    (one,) = json.loads(path.read_text(encoding="utf-8"))["carried"]
    return one["read"], one["made"]


def test_runs_carry_the_register_on_and_a_restored_one_gives_the_same_bytes(shop) -> None:
    with house() as made:
        registering(made)
        current = made.root / "master" / "register" / "current"
        runs = [made.drop("1", deck(card(2), card(3)))]
        made.once()
        runs.append(made.drop("2", deck(card(3), card(4))))
        made.once()
        assert current.read_bytes() == batches(1, 2, 3, 4)
        first, second = (carried(made, run) for run in runs)
        assert first[1] == second[0]
        rows = json.loads(shop.say("generations", made.root, "register", "--json").out)
        assert [(row["generation"], row["records"], row["run"]) for row in rows] == [
            (0, None, ""), (1, 3, runs[0]), (2, 4, runs[1]),
        ]  # fmt: skip
        why = ("--by", "A. Keeper", "--reason", "a test")
        assert shop.say("restore", made.root, "register", "1", *why).code == 0
        assert current.read_bytes() == batches(1, 2, 3)
        assert shop.say("requeue", made.root, runs[1]).code == 0
        made.once()
        assert current.read_bytes() == batches(1, 2, 3, 4)
        again = runs[1].removesuffix("1") + "2"
        assert carried(made, again) == second
        one, two = (made.root / "done" / run / "out" / "manifest.json" for run in (runs[1], again))
        assert one.read_bytes() == two.read_bytes()
        assert [found for _, found in verify(Workspace(made.root)) if found] == []


@pytest.mark.parametrize("name", ["cards.csv", "register.txt"])
def test_a_delivery_that_no_stage_carries_on_is_refused_before_the_first_deck(shop, name) -> None:
    with house() as made:
        registering(made)
        made.settings(LANE.replace("register.csv", name))
        said = shop.say("check", made.root / "config" / "jobs" / "cards.toml")
        assert said.code == 2
        assert f"no stage of the job declares {name!r} the next 'register'" in said.err
        assert "declared: register.csv" in said.err
