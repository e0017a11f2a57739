"""Workers: whatever a plugin does, the pool lives, the reason is right and neighbours are done."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.engine.run import run_job
from deckwright.service.workers.messages import LONGEST, Ended, Progress
from deckwright.service.workers.process import NonsenseError, WorkerProcess
from deckwright.service.workers.traces import Rest
from service.pool_kit import ENDS
from service.workplace import (
    BAD_PLUGINS,
    CANARY,
    PATIENCE_S,
    Workplace,
    alive,
    modes,
)


@pytest.fixture(scope="module")
def cards(pool_cards) -> bytes:
    return pool_cards


@pytest.fixture(scope="module")
def place(pool_place) -> Workplace:
    """Return a workspace with a good job, its twin, and one for each bad plugin."""
    return pool_place


@pytest.fixture(scope="module")
def expected(place, shop, cards, tmp_path_factory):
    """Return what `deckwright run` makes of the deck in a job without a bad plugin."""
    folder = tmp_path_factory.mktemp("expected")
    deck = shop.deck(folder / "receipts.txt", cards)
    found: dict[str, dict[str, str]] = {}

    def sums(job: str) -> dict[str, str]:
        if job not in found:
            path = place.root / "config" / "jobs" / f"{job}.toml"
            run_job(path, [deck], folder / job, workers=1)
            found[job] = shop.sums(folder / job)
        return found[job]

    return sums


@pytest.mark.slow
def test_whatever_plugins_do_their_runs_end_rightly_and_neighbours_in_one_pool_are_done(
    place, shop, cards, expected
) -> None:
    with place.pool(limits={"file": "1 GiB"}) as hand:
        hand.pool.warm()
        for plugin, (outcome, code, words) in ENDS.items():
            bad, beside = place.order(plugin, cards), place.order("good", cards)
            hand.start(bad, seconds=1.5 if outcome == "late" else PATIENCE_S)
            hand.start(beside)
            ended, neighbour = hand.ends([bad, beside])
            assert (ended.outcome, ended.code) == (outcome, code), (plugin, ended)
            assert words in ended.sentence, plugin
            assert CANARY not in ended.model_dump_json(), plugin
            # the next one beside it is run by a worker that had a bad plugin before
            assert neighbour.outcome == "done", (plugin, neighbour)
            assert shop.sums(hand.out(neighbour)) == expected("good"), plugin
            if outcome == "done":  # nothing that it did can be seen in what was delivered
                outs = [shop.sums(hand.out(each) / "out") for each in (ended, neighbour)]
                assert outs[0] == outs[1], plugin
            if outcome == "stage" and plugin != "deletes_out":
                assert ended.stage == "stage 3 (bad)", plugin
                assert any(line.startswith(f"plugins/{plugin}.py:") for line in ended.where), (
                    ended.where
                )
        for _ in range(4):  # more than there are workers
            after = hand.run("good", cards)
            assert after.outcome == "done"
            assert shop.sums(hand.out(after)) == expected("good")


def test_the_bad_plugins_are_all_tried() -> None:
    assert {path.stem for path in BAD_PLUGINS.glob("*.py")} == {*ENDS, "leaves"}


LIAR = """
import json, os, sys, time
settings = json.loads(sys.argv[1])
os.write(settings["messages"], b'{"kind":"rest"}\\n')
run = json.loads(os.read(0, 65536))["run"].encode()
said = open(%r, "rb").read().replace(b"RUN", run)
while said:
    said = said[os.write(settings["messages"], said):]
time.sleep(3600)
"""
"""A process in the place of a worker that says after an order what stands in a file."""


@pytest.fixture
def liar(place, monkeypatch, tmp_path):
    """Return a pool whose workers say other words, and a giver of those words."""
    path = tmp_path / "said"
    command = (sys.executable, "-I", "-S", "-c", LIAR % str(path))
    monkeypatch.setattr("deckwright.service.workers.process._COMMAND", command)
    with place.pool(workers=1) as hand:
        yield hand, path.write_bytes


ENDED = b'{"kind":"ended","run":"RUN","outcome":"%s"}\n'


LIES = (
    ENDED % b"done",
    ENDED % b"died",
    ENDED % b"late",
    ENDED % b"splendid",
    ENDED.replace(b"RUN", b"0000000000000fff-000000-1") % b"stage",
    ENDED % b"stage" + ENDED % b"stage",
    b'{"kind":"progress","run":"0000000000000fff-000000-1","stage":"","done":1,"total":1}\n',
    b'{"kind":"progress","run":"RUN","stage":"","done":-1,"total":1}\n',
    b'{"kind":"rest"}\n',
    b'{"kind":"bye"}\n',
    b"[1, 2]\n",
    b"{" * 5000 + b"\n",
    b"\xff\xfe\n",
    b"not JSON\n",
    b"x" * (LONGEST + 70_000),
)


@pytest.mark.parametrize("words", LIES, ids=lambda words: repr(words[:60]))
def test_a_worker_that_says_what_it_may_not_is_ended_and_its_run_once(
    words, liar, place, cards
) -> None:
    hand, say = liar
    say(words)
    for _ in range(2):
        order = place.order("good", cards)
        hand.start(order)
        (pid,) = hand.pool.processes()
        (ended,) = hand.ends([order])
        assert (ended.outcome, ended.code) == ("died", "worker-nonsense")
        assert not alive(pid)


def test_a_flood_of_progress_is_told_in_few_messages(liar, place, cards) -> None:
    hand, say = liar
    line = b'{"kind":"progress","run":"RUN","stage":"far","done":1,"total":2}\n'
    say(line * 20_000 + ENDED % b"stage")
    ended = hand.run("good", cards)
    assert ended.outcome == "stage"
    told = [each for each in hand.said if isinstance(each, Progress)]
    assert {each.stage for each in told} == {"far"}
    assert len(told) < 1000


@given(st.lists(st.binary(max_size=200), max_size=5))
@settings(max_examples=200, deadline=None)
def test_bytes_from_a_worker_are_messages_or_nonsense(blocks) -> None:
    reading, writing = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        os.write(writing, b"\n".join(blocks))
        process = WorkerProcess(None, Path(), _messages=reading)  # type: ignore[arg-type]
        try:
            messages, goes_on = process.hear()
        except NonsenseError:
            return
        assert goes_on
        assert all(isinstance(each, Progress | Ended | Rest) for each in messages)
        assert sum(b"\n" in block for block in blocks) + len(blocks) >= len(messages)
    finally:
        os.close(reading)
        os.close(writing)


def test_a_run_folder_is_the_same_whatever_worker_makes_it_and_where(
    place, shop, cards, expected, monkeypatch
) -> None:
    for zone, language, mask, runs in (
        ("Pacific/Auckland", "tr_TR.UTF-8", 0o077, 25),
        ("America/St_Johns", "C", 0o000, 3),
    ):
        monkeypatch.setenv("TZ", zone)
        monkeypatch.setenv("LANG", language)
        monkeypatch.setenv("LC_ALL", language)
        monkeypatch.setenv("PYTHONHASHSEED", str(len(zone)))
        before = os.umask(mask)
        try:
            with place.pool(workers=1) as hand:
                for _ in range(runs):
                    ended = hand.run("twin", cards)
                    assert ended.outcome == "done"
                    assert shop.sums(hand.out(ended)) == expected("twin")
                    assert modes(hand.out(ended)) == {0o640}
                assert len(hand.pool.processes()) == 1
        finally:
            os.umask(before)
