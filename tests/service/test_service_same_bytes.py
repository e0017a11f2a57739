"""The same decks give the same bytes, wherever and whenever and with what settings they are run."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from service.contract import files_of
from service.house import House, card, cards_of, chain, deck, house

SETTINGS = {
    "hashes, zone, language, one worker": {
        "env": {"PYTHONHASHSEED": "1", "TZ": "Pacific/Chatham", "LANG": "tr_TR.UTF-8",
                "LC_ALL": "C", "HOME": "/nonexistent", "COLUMNS": "20"},
        "workers": 1,
        "speed": 7,
    },
    "hashes, zone, mask, four workers": {
        "env": {"PYTHONHASHSEED": "4294967295", "TZ": "America/St_Johns", "LC_ALL": "C.UTF-8",
                "PYTHONUTF8": "0", "POLARS_MAX_THREADS": "7"},
        "umask": 0o077,
        "workers": 4,
    },
}  # fmt: skip
"""Each differs from the usual one in many things, the place and the moment among them."""

SORT = {"kind": "sort", "keys": ["amount", "item"]}
FORMS = ("csv", "deck", "parquet", "sqlite", "json-lines")


def every_form() -> list[Mapping[str, Any]]:
    """Return a chain that delivers its cards in all forms that need no layout."""
    output = [{"file": f"cards.{form}", "form": form} for form in FORMS]
    return [*chain(SORT)[:-1], {"kind": "emit", "output": output}]


def story(made: House, workers: int) -> None:
    """Lay decks for three jobs: done, with cards that come back, and back as a whole."""
    made.settings(made.lane(), workers=workers)
    made.job("sorted", every_form(), record_log=True)
    for number in range(3):
        faulty = [card(n, 100 - n, "é" * (n % 20 == number)) for n in range(40)] + ["?", "", " 1"]
        made.drop(f"sorted-{number}.txt", deck(*faulty), "sorted")
        made.drop(f"moves-{number}.txt", cards_of(number), "stock")
        made.drop(f"plain {number}", cards_of(number, cards=200))
        made.drop(f"back-{number}", "ß\n".encode("utf-16") * (number + 1))
    made.once()
    tally = made.check(ended=True)
    assert (tally.done, tally.returned) == (9, 3)


def outcome(root: Path) -> dict[str, bytes]:
    """Return all outputs, and of claims what the senders and not the moment decide."""
    found = {}
    for place in ("done", "returned", "master", "config/used"):
        for name, data in files_of(root / place).items():
            found[f"{place}/{name}"] = data
            if name.endswith("/claim.json"):
                claim = json.loads(data)
                for key in ("taken_at", "order", "seal"):
                    del claim[key]
                found[f"{place}/{name}"] = json.dumps(claim).encode()
    return found


@pytest.fixture(scope="module")
def usual() -> dict[str, bytes]:
    with house() as made:
        story(made, 2)
        return outcome(made.root)


@pytest.mark.slow
@pytest.mark.parametrize("setting", SETTINGS)
def test_the_outputs_are_the_same_bytes_with(setting, usual) -> None:
    given = SETTINGS[setting]
    with house(given.get("speed", 1)) as made:
        made.env, made.umask = given.get("env", {}), given.get("umask", 0o022)
        story(made, given.get("workers", 2))
        found = outcome(made.root)
    assert found.keys() == usual.keys()
    assert [name for name in found if found[name] != usual[name]] == []
    assert sum("/out/" in name for name in found) > 90


@pytest.mark.slow
def test_no_output_names_the_place_the_process_or_the_day(usual) -> None:
    for name, data in usual.items():
        for word in (b"/dev/shm", b"/tmp/", b"deckwright-", b"house", b"worker-"):
            assert word not in data, f"{word!r} in {name}"


@pytest.mark.slow
def test_what_the_moment_decides_stands_in_the_claim_alone() -> None:
    with house() as made:
        run = made.drop("a.txt", cards_of(1))
        made.once()
        taken = made.claim(run).taken_at
        home = made.root / "done" / run
        holders = [name for name, data in files_of(home).items() if taken[:13].encode() in data]
        assert holders == ["claim.json"]
