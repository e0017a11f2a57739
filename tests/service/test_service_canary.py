"""What stands on cards, in masters and in secrets of the config is in no log, ledger or status."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator

import pytest

from service.house import CANARY, House, card, chain, deck, house, lane_chain, run_of

SECRET = "open-SESAME-5173"  # noqa: S105 # no secret, but looks like one
"""Stands in the config where a secret might."""

WORD = CANARY.encode()
MASTER = "MASTER6650"
"""Stands in a master, and nowhere else; why a job is held may name it, to operators alone."""


def failing() -> dict[str, tuple[bytes, str]]:
    """Return decks that cannot be run or whose cards fail, each with the job it is for."""
    note = card(1, 1, CANARY)
    return {
        "good": (deck(note, card(2, 2, CANARY)), "cards"),
        "item fails": (deck(note, f"{CANARY[:5]}{CANARY}"), "cards"),
        "amount fails": (deck(note, f"00001{CANARY[:6]}"), "cards"),
        "odd bytes": (deck(note) + WORD + b"\x00\x01\x02\x1a\xff\n", "cards"),
        "long line": (WORD * 40 + b"\n", "cards"),
        "no line end": (WORD * 5000, "cards"),
        "wide": (CANARY.encode("utf-16"), "cards"),
        "zeros": (WORD + bytes(500), "cards"),
        "all fail": (deck(*[f"{CANARY}{n}" for n in range(30)]), "strict"),
        "part of a card": (WORD * 9, "binary"),
        "raises": (deck(note), "raise"),
        "prints": (deck(note), "print"),
        "dies": (deck(note), "die"),
        "does not fit": (deck(card(1, 123, CANARY)), "narrow"),
        "master": (deck(note), "repeats"),
    }


WAIT = ("master",)
"""Decks whose job is held, so that they wait."""

NARROW = """
title = "A narrow card"

[[field]]
name = "item"
columns = "1-5"
kind = "digits"

[[field]]
name = "amount"
columns = "6-7"
kind = "whole"

[[field]]
name = "note"
columns = "8-36"
kind = "text"
"""


def config(made: House) -> None:
    """Write a job for each kind of failure, and secrets where people put them."""
    folder = made.root / "config"
    (folder / "layouts" / "narrow.toml").write_text(NARROW)
    lines = ("item,amount", f"00001,{MASTER}", f"00001,{MASTER}", f"{MASTER},1")
    (folder / "repeats.csv").write_text("".join(f"{line}\r\n" for line in lines))
    made.job("strict", chain(most="10 %"))
    made.job("binary", [{"kind": "decode", "medium": {"kind": "column-binary"}}, *chain()[1:]])
    for how in ("raise", "print", "die"):
        made.job(how, chain({"kind": "fails", "how": how}), plugins=["fails.py"])
    made.job("narrow", chain({"kind": "reproduce", "layout": "narrow"}))
    made.job("repeats", lane_chain(), files={"stock": "../repeats.csv"}, plugins=["post.py"])
    good = (folder / "jobs" / "cards.toml").read_text()
    (folder / "jobs" / "faulty.toml").write_text(f'password = "{SECRET}"\n{good}')
    (folder / "jobs" / "wrong.toml").write_text(good.replace('"text"', f'"text", key = "{SECRET}"'))
    notice = '[[notice]]\nkind = "append-line"\noptions = { file = "notices.log"'
    made.settings(
        f'{notice} }}\n{notice}, secret = "{SECRET}" }}\n{notice}, form = "{SECRET}" }}\n',
        stall_s=0.5,
        retry={"first_wait_s": 0.1, "tries": 2, "breaker": 100},
    )


@pytest.fixture(scope="module")
def served() -> Iterator[House]:
    with house() as made:
        config(made)
        made.env = {"DECKWRIGHT_TEST_SECRET": SECRET}
        runs = {name: made.drop(name, data, job) for name, (data, job) in failing().items()}
        with made.serving():
            for name, run in runs.items():
                if name not in WAIT:
                    made.end_of(run)
            made.told("job_held", job="repeats")
            before = made.workspace.service_file.read_text()
            faulty = f'{before}\n[jobs.cards]\npassword = "{SECRET}"\n'
            made.workspace.service_file.write_text(faulty)
            made.signal(signal.SIGHUP)
            made.told("config_refused")
            made.wait(lambda: "password" in str(made.status()["health"]), "a word on the config")
            yield made


def places(made: House) -> dict[str, bytes]:
    """Return everything in which neither cards nor secrets may show."""
    files = [
        *made.root.parent.glob("house.*"), *made.root.glob("ledger.db*"),
        *(made.root / "control").iterdir(), *made.root.glob("notices*"),
    ]  # fmt: skip
    found = {path.name: path.read_bytes() for path in files}
    found["status"] = b"".join(map(os.fsencode, made.say("status", made.root)[1:]))
    found["status as JSON"] = made.say("status", made.root, "--json")[1].encode()
    found["names"] = b"\n".join(
        os.fsencode(path)
        for place in ("work", "done", "returned", "tmp", "control")
        for path in (made.root / place).rglob("*")
    )
    return found


def test_the_decks_ended_as_they_were_meant_to(served) -> None:
    ends = {name: served.state(served_run(served, name)) for name in failing()}
    assert {name for name, end in ends.items() if end == "work"} == set(WAIT)
    done = {name for name, end in ends.items() if end == "done"}
    assert {"good", "item fails", "amount fails", "prints", "does not fit"} <= done
    back = set(ends) - done - set(WAIT)
    assert {"wide", "all fail", "part of a card", "raises", "dies"} <= back
    events = [each for each in served.log() if each["event"] in {"deck_returned", "run_failed"}]
    assert len({each["code"] for each in events}) >= 5


def served_run(made: House, name: str) -> str:
    return run_of(name, failing()[name][0])


def test_the_cards_are_in_the_outputs_so_that_they_would_be_found(served) -> None:
    home = served.root / "done" / served_run(served, "good")
    assert WORD in (home / "out" / "out" / "cards.csv").read_bytes()
    assert {"house.log", "ledger.db", "state.json", "notices.log"} <= set(places(served))


@pytest.mark.parametrize("word", [CANARY, MASTER, SECRET])
def test_neither_cards_nor_secrets_show_in_log_ledger_or_status(word, served) -> None:
    for_operators = {"held-repeats", "status", "status as JSON"} if word == MASTER else set()
    encoded = word.encode()
    written = [encoded, word.encode("utf-16-le"), encoded.hex().encode()]
    written.append("".join(f"\\x{byte:02x}" for byte in encoded).encode())
    for place, data in places(served).items():
        if place not in for_operators:
            for each in written:
                assert each not in data, f"{each!r} shows in {place}"


def test_secrets_of_the_service_file_are_in_no_config_that_is_kept(served) -> None:
    kept = list((served.root / "config" / "used").iterdir())
    assert len(kept) >= 8  # one for each job that is right
    for path in kept:
        assert SECRET.encode() not in path.read_bytes()


def test_reasons_tell_the_owner_of_the_deck_where_to_look(served) -> None:
    entry = served.reasons(served_run(served, "raises")).entries[0]
    assert entry.stage == "stage 3 (fails)"
    assert CANARY not in entry.model_dump_json()
    assert any(line.startswith("plugins/fails.py:") for line in entry.where)


def test_files_that_hold_cards_are_for_owner_and_group_alone(served) -> None:
    home = served.root / "done" / served_run(served, "good")
    for path in [*home.rglob("*"), *(served.root / "returned").rglob("*")]:
        if path.name != "deck":  # which keeps the mode that its sender gave it
            assert path.stat().st_mode & 0o007 == 0, path
    for path in (*served.root.glob("ledger.db*"), *(served.root / "control").iterdir()):
        assert path.stat().st_mode & 0o007 == 0, path
