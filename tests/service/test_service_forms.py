"""Files that are made after the last card are as safe in a service as all others."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.contract import files_of, sha256
from service.house import House, card, cards_of, chain, deck, house

TYPED = {"o.parquet": "parquet", "o.sqlite": "sqlite", "o.jsonl": "json-lines", "o.slow": "slow"}
FAULTY = deck(*(card(n, 100 - n, f"note {n % 7}") for n in range(1, 60)), "?", "")


def ending(made: House, form: str = "", finisher: str = "", *, fails: bool = False) -> None:
    """Write the job `cards` anew: every form with an end, and a finisher; with gates, if any."""
    made.gates.mkdir(exist_ok=True)
    output: list[dict[str, Any]] = [{"file": f, "form": form} for f, form in TYPED.items()]
    output[-1] |= {"gate": str(made.gates / form) if form else ""}
    gate = str(made.gates / finisher) if finisher else ""
    stages = [*chain({"kind": "sort", "keys": ["amount"]})[:3],
              {"kind": "emit", "output": output},
              {"kind": "list", "gate": gate, "fails": fails}]  # fmt: skip
    made.job("cards", stages, plugins=["ending.py"])


def outcome(root: Path) -> dict[str, str]:
    """Return the outputs of runs that are done; the config alone says where gates are."""
    found = {name: sha256(data) for name, data in files_of(root / "done").items()}
    return {
        name: digest
        for name, digest in found.items()
        if "/out/out/" in name or "/out/returned/" in name or "/out/journal/" in name
    }


@pytest.fixture(scope="module")
def uncut() -> dict[str, str]:
    """Return what comes of two decks when nothing goes wrong."""
    with house() as made:
        ending(made)
        made.drop("a.txt", FAULTY)
        made.drop("b.txt", cards_of(1))
        made.once()
        assert made.check(ended=True).done == 2
        return outcome(made.root)


def test_what_is_made_after_the_last_card_is_in_the_manifests(uncut) -> None:
    with house() as made:
        ending(made)
        run = made.drop("a.txt", FAULTY)
        made.once()
        home = made.done(run)
        listed = {one.name: one.sha256 for one in made.manifest(run).files}
        for name in [*TYPED, "lists/names.txt", "lists/more/names.txt"]:
            path = home / "out" / "out" / name
            assert listed[f"out/out/{name}"] == sha256(path.read_bytes())
        code, out, err = made.say("verify", made.root)
        assert (code, err) == (0, ""), out
        control = json.loads((home / "out" / "control.json").read_text())
        assert {one["file"]: one["rows"] for one in control["outputs"]} == dict.fromkeys(TYPED, 59)
        assert {f"{run}/{name}" for name in listed} >= {n for n in uncut if n.startswith(run)}


@pytest.mark.slow
@pytest.mark.parametrize("where", ["form", "finisher"])
@pytest.mark.parametrize("kills", [1, 3])
def test_killed_while_the_last_files_are_made_it_ends_as_if_it_had_not_been(
    where, kills, uncut
) -> None:
    with house() as made:
        ending(made, **{where: where})
        made.drop("a.txt", FAULTY)
        made.drop("b.txt", cards_of(1))
        for number in range(1, kills + 1):
            made.start()
            made.at_gate(where, number)
            assert list(made.root.glob("work/*/out.*")) or list(made.root.glob("work/*/.out.*"))
            made.kill()
            made.check()
        made.open_gate(where)
        made.once()
        assert made.check(ended=True).done == 2
        assert outcome(made.root) == uncut


@pytest.mark.slow
def test_a_finisher_that_fails_sends_its_deck_back_and_no_value_is_told() -> None:
    with house(workers=1) as made:
        ending(made, fails=True)
        made.job("plain")
        made.settings(workers=1, retry={"stage_tries": 1})
        failing = made.drop("a.txt", FAULTY)
        sound = made.drop("b.txt", cards_of(1), "plain")
        made.once()
        assert made.returned(failing) == ["stage-failed"]
        assert "stage 5 (list) failed: ValueError" in made.reasons(failing).entries[0].sentence
        assert made.done(sound)
        assert made.check(ended=True).returned == 1
        told = json.dumps(made.log()) + made.words()
        assert "CANARY4812" not in told
        assert not list(made.root.glob("work/*"))
