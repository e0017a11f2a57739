"""Decks from other places, copies for other places, late bytes and other things that take time.

The clock of the service runs ten times faster, so that its long waits can be waited for.
"""

from __future__ import annotations

import os

import pytest

from service.house import CANARY, House, cards_of, chain, deck, house, run_of

SPEED = 10


@pytest.fixture(scope="module")
def served():
    """Give a house that is served by a fast clock, with places outside of it."""
    with house(SPEED) as made:
        outside = made.root.parent
        for place in ("office", "share"):
            (outside / place).mkdir()
        tables = [
            f'[jobs.sent]\ndeliver = {{ to = "{outside / "office"}", files = ["cards.csv"] }}\n',
            f'[jobs.fetched]\nfetch = "{outside / "share"}"\n',
            made.lane(),
        ]
        made.settings("".join(tables), settle_s=1, scan_s=4, stall_s=10, workers=2,
                      retry={"first_wait_s": 5, "breaker": 100})  # fmt: skip
        made.job("sent")
        made.job("fetched")
        made.job("failing", chain({"kind": "fails"}), plugins=["fails.py"])
        with made.serving():
            plant(made)
            yield made
        made.check(ended=True)


SHARED = {f"fetched-{number}.txt": cards_of(20 + number) for number in range(3)}
LINKED, FREED, EMPTY = cards_of(31), cards_of(32), b""
FAILING = deck(CANARY)


def plant(made: House) -> None:
    """Lay down what takes the longest, so that all of it goes on at the same time."""
    share, inbox = made.root.parent / "share", made.root / "inbox" / "cards"
    for name, data in SHARED.items():
        (share / f".{name}").write_bytes(data)
        (share / f".{name}").rename(share / name)
        made.dropped.append((name, data))
    (share / "coming.txt.part").write_bytes(b"half")
    for name, data in (("linked.txt", LINKED), ("freed.txt", FREED)):
        (made.root.parent / name).write_bytes(data)
        os.link(made.root.parent / name, inbox / name)
        made.dropped.append((name, data))
    # as somebody does who delivers by linking, then unlinking
    (made.root.parent / "freed.txt").unlink()
    made.drop("empty.txt", EMPTY)
    made.drop("fails.txt", FAILING, "failing")


# ---- copies for another place


def test_copies_are_made_after_the_run_is_done_and_under_its_name(served) -> None:
    office = served.root.parent / "office"
    run = served.drop("sent.txt", cards_of(1), "sent")
    home = served.done(run)
    told = served.told("delivered", run=run)
    assert (told["files"], told["to"]) == (1, str(office))
    copy = office / f"{run}-cards.csv"
    assert copy.read_bytes() == (home / "out" / "out" / "cards.csv").read_bytes()
    assert {path.name for path in office.iterdir() if run in path.name} == {copy.name}


def test_a_place_that_is_away_holds_up_nothing_and_gets_its_copies_when_it_is_back(served) -> None:
    office, away = served.root.parent / "office", served.root.parent / "office-away"
    served.done(served.drop("before.txt", cards_of(2), "sent"))
    office.rename(away)
    try:
        runs = [served.drop(f"away-{n}.txt", cards_of(10 + n), "sent") for n in range(3)]
        for run in runs:
            served.done(run)
        assert str(office) in served.told("delivery_waits", job="sent")["why"]
        served.wait(lambda: any("copies of sent wait" in why for why in served.status()["health"]),
                    "the missing place in the health")  # fmt: skip
        assert not office.exists()
        served.done(served.drop("other.txt", cards_of(3)))
    finally:
        away.rename(office)
    for run in runs:
        served.told("delivered", run=run)
        copy = (office / f"{run}-cards.csv").read_bytes()
        assert copy == (served.root / "done" / run / "out" / "out" / "cards.csv").read_bytes()
    assert not any(path.name.startswith(".") for path in office.iterdir())
    served.wait(lambda: served.status()["health"] == [], "a well service")


# ---- decks from another place


def test_decks_are_brought_from_another_place_and_leave_it(served) -> None:
    share = served.root.parent / "share"
    for name, data in SHARED.items():
        run = run_of(name, data)
        assert (served.done(run) / "deck").read_bytes() == data
        assert served.claim(run).job == "fetched"
    assert [path.name for path in share.iterdir()] == ["coming.txt.part"]


# ---- files that are not complete


def test_what_never_becomes_a_deck_comes_back_with_the_reason(served) -> None:
    served.done(served.drop("good.txt", cards_of(30)))
    empty = run_of("empty.txt", EMPTY)
    assert served.returned(empty) == ["empty"]
    assert "no card in it" in served.reasons(empty).entries[0].sentence


def test_a_file_with_a_second_name_comes_back_and_one_that_loses_it_is_taken(served) -> None:
    outside = served.root.parent
    assert served.returned(run_of("linked.txt", LINKED)) == ["hard-linked"]
    assert (outside / "linked.txt").read_bytes() == LINKED
    served.done(run_of("freed.txt", FREED))


# ---- late bytes


def test_bytes_that_come_after_the_run_get_a_run_of_their_own(served) -> None:
    first, late = cards_of(40), cards_of(41)
    run = served.drop("late.txt", first)
    home = served.done(run)
    with (home / "deck").open("ab") as file:
        file.write(late)
    served.dropped[-1] = ("late.txt", (first, first + late))
    again = run_of("late.txt", first + late)
    assert served.told("late_bytes", run=run)["new_run"] == again
    assert served.manifest(served.done(again).name).counts["in"] == 4
    follows = served.claim(again).follows
    assert follows is not None
    assert follows.run == run
    assert run in served.status()["late_runs"]


# ---- tries


def test_a_stage_that_fails_is_tried_again_and_its_deck_comes_back_with_each_cause(served) -> None:
    run = run_of("fails.txt", FAILING)
    served.done(served.drop("passes-by.txt", cards_of(50)))
    assert served.returned(run) == ["stage-failed", "stage-failed"]
    entries = served.reasons(run).entries
    assert [entry.stage for entry in entries] == ["stage 3 (fails)"] * 2
    assert [entry.sentence[:6] for entry in entries] == ["try 1:", "try 2:"]
    assert any(line.startswith("plugins/fails.py:") for line in entries[0].where)


# ---- masters


@pytest.mark.slow
def test_a_master_that_somebody_changed_stops_its_job_until_it_is_put_back(served) -> None:
    current = served.root / "master" / "stock" / "current"
    first = served.drop("moves.txt", cards_of(60), "stock")
    served.done(first)
    served.wait(lambda: b",60" in current.read_bytes(), "the master to move on")
    good = current.read_bytes()
    current.write_bytes(good + b"00009,1\r\n")
    second = served.drop("stopped.txt", cards_of(61), "stock")
    assert "not the one that the last run left" in served.told("job_held", job="stock")["why"]
    assert served.state(second) == "work"
    served.done(served.drop("others.txt", cards_of(62)))
    current.write_bytes(good)
    assert served.say("resume", served.root, "stock")[0] == 0
    served.done(second)
    served.wait(lambda: b",61" in current.read_bytes(), "the master to move on")
    assert served.manifest(second).lane.parent == served.manifest(first).lane.next
