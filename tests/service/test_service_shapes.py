"""Runs with scans and groups are as safe in a service as all others."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.contract import files_of, sha256
from service.house import House, card, chain, deck, house

GOOD = deck(*(card(n // 3, n, f"note {n % 7}") for n in range(100)), "?", "")
AGAIN = deck(card(1), card(2), card(1, note="CANARY4812"))
SCAN, GROUP = "number", "together"


def shaped(made: House, gate: str = "", *, fails: bool = False) -> None:
    """Write the job `cards` anew, with a scan and with groups; a gate stands in one of them."""
    made.gates.mkdir(exist_ok=True)
    stages = [
        {"kind": kind, "gate": str(made.gates / kind) if kind == gate else ""}
        for kind in (SCAN, GROUP)
    ]
    stages[0]["fails"] = fails
    made.job("cards", chain(*stages), plugins=["shapes.py"])


def outcome(root: Path) -> dict[str, str]:
    """Return the outputs of runs that are done, and why others came back."""
    parts = ("/out/out/", "/out/returned/", "/out/journal/", "/out/control.json", "/reasons.json")
    found = files_of(root / "done") | files_of(root / "returned")
    return {
        name: sha256(data) for name, data in found.items() if any(part in name for part in parts)
    }


@pytest.fixture(scope="module")
def uncut() -> Iterator[dict[str, str]]:
    """Return what comes of two decks when nothing goes wrong."""
    with house() as made:
        shaped(made)
        good, again = made.drop("a.txt", GOOD), made.drop("b.txt", AGAIN)
        made.once()
        tally = made.check(ended=True)
        assert (tally.done, tally.returned) == (1, 1)
        rows = (made.done(good) / "out" / "out" / "cards.csv").read_text("utf-8").splitlines()
        assert len(rows) == 1 + 99
        assert [row.split(",")[-2:] for row in rows[1:]] == [[str(n), "100"] for n in range(1, 100)]
        assert made.returned(again) == ["group-again"]
        sentence = made.reasons(again).entries[0].sentence
        assert sentence.startswith("stage 4 (together): a group comes again at card 3")
        assert "CANARY4812" not in json.dumps(made.log()) + made.words()
        yield outcome(made.root)


@pytest.mark.slow
@pytest.mark.parametrize("where", [SCAN, GROUP])
@pytest.mark.parametrize("kills", [1, 3])
def test_killed_in_a_scan_or_among_groups_it_ends_as_if_it_had_not_been(
    where, kills, uncut
) -> None:
    with house() as made:
        shaped(made, where)
        made.drop("a.txt", GOOD)
        made.drop("b.txt", AGAIN)
        for number in range(1, kills + 1):
            made.start()
            made.at_gate(where, number)
            made.kill()
            made.check()
        made.open_gate(where)
        made.once()
        tally = made.check(ended=True)
        assert (tally.done, tally.returned) == (1, 1)
        assert outcome(made.root) == uncut


@pytest.mark.slow
def test_a_state_that_fails_sends_its_deck_back_and_no_value_is_told() -> None:
    with house() as made:
        shaped(made, fails=True)
        made.settings(workers=1, retry={"stage_tries": 1})
        failing = made.drop("a.txt", deck(card(1, 1, "CANARY4812")))
        made.once()
        assert made.returned(failing) == ["stage-failed"]
        assert "stage 3 (number) failed: ValueError" in made.reasons(failing).entries[0].sentence
        assert "CANARY4812" not in json.dumps(made.log()) + made.words()
        assert not list(made.root.glob("work/*"))


def test_the_shapes_run_in_a_service(uncut) -> None:
    assert any(name.endswith("/out/out/cards.csv") for name in uncut)
    assert any(name.endswith("/reasons.json") for name in uncut)
