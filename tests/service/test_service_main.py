"""The service as its users meet it: decks are dropped, and end done or returned as they must."""

from __future__ import annotations

import json

import pytest

from service.contract import files_of, sha256
from service.house import CANARY, card, cards_of, chain, deck, house, run_of

FOUND_FAULTY = {2: "item", 5: "pieces", 8: "day", 11: "movement"}
"""Cards of the example with faulty cards, and the field that is wrong."""

TREATED = """
[jobs.again]
duplicates = "rerun"
[jobs.once]
duplicate_scope = "content"
[[notice]]
kind = "append-line"
options = { file = "notices.log" }
"""


@pytest.fixture(scope="module")
def served():
    """Give a house that is served, with a job for each way of treating decks."""
    with house(example=True) as made:
        made.settings(made.lane() + TREATED, workers=2)
        made.job("again")
        made.job("once")
        made.gated("slow")
        made.gated("grows")
        with made.serving():
            yield made
        made.check(ended=True)


def test_the_three_examples_end_as_their_words_for_people_say(served) -> None:
    decks = {path.name: path.read_bytes() for path in (served.root / "examples").glob("week-*.txt")}
    assert sorted(decks) == ["week-23.txt", "week-24.txt", "week-25.txt"]
    runs = dict(zip(decks, served.drop_all(decks, "first"), strict=True))
    clean, faulty = served.done(runs["week-23.txt"]), served.done(runs["week-24.txt"])
    assert served.manifest(clean.name).counts == counts(12, 12)
    assert served.manifest(faulty.name).counts == counts(12, 8, returned=4)
    lines = (clean / "out" / "out" / "movements.csv").read_text().splitlines()
    assert len(lines) == 13
    assert (clean / "out" / "control.html").exists()
    reasons = (faulty / "out" / "returned" / "reasons.csv").read_text().splitlines()
    heading = reasons[0].split(",")
    assert {int(line.split(",")[heading.index("card")]) for line in reasons[1:]} == {*FOUND_FAULTY}
    assert served.returned(runs["week-25.txt"]) == ["deck-unreadable"]
    home = served.root / "returned" / runs["week-25.txt"]
    assert "week-25.txt came back" in (home / "reasons.txt").read_text()
    for name, run in runs.items():
        assert (served.root / served.state(run) / run / "deck").read_bytes() == decks[name]


def counts(cards_in: int, out: int, returned: int = 0) -> dict[str, int]:
    return {
        "added": 0, "holds": 1, "in": cards_in, "out": out, "returned": returned, "set_aside": 0
    }  # fmt: skip


def test_a_done_deck_has_its_claim_its_outputs_and_a_manifest_of_every_file(served) -> None:
    data = cards_of(1)
    home = served.done(served.drop("whole.txt", data))
    assert {path.name for path in home.iterdir()} == {"deck", "claim.json", "manifest.json", "out"}
    claim, manifest = served.claim(home.name), served.manifest(home.name)
    assert (claim.deck.name_bytes, claim.deck.sha256) == (b"whole.txt", sha256(data))
    assert bytes.fromhex(claim.folder) == b"cards"
    real = {f"out/{name}": sha256(data) for name, data in files_of(home / "out").items()}
    assert {file.name: file.sha256 for file in manifest.files} == real
    assert "out/out/cards.csv" in real
    kept = served.root / "config" / "used" / f"{claim.config}.json"
    assert sha256(kept.read_bytes()) == claim.config
    assert json.loads(kept.read_text())["job"] == "cards"


# ---- repairs


def test_repaired_cards_under_the_same_name_make_a_run_that_names_the_first(served) -> None:
    first = served.drop("repair.txt", deck(card(1), "XX" + card(2)[2:], card(3, 7)))
    back = (served.done(first) / "out" / "returned" / "repair.txt").read_bytes()
    assert back.count(b"\n") == 1
    again = served.drop("repair.txt", back.replace(b"XX", b"00"))
    served.done(again)
    follows = served.claim(again).follows
    assert follows is not None
    assert follows.run == first
    assert "1 cards" in follows.because or "1 card" in follows.because
    assert served.told("deck_taken", run=again)["follows"] == first
    assert served.manifest(again).counts == counts(1, 1)
    assert served.claim(first).follows is None


def test_the_same_cards_under_another_name_or_for_another_job_name_no_first_run(served) -> None:
    first = served.drop("mend.txt", deck(card(1), "XX" + card(2)[2:], card(3, 8)))
    served.done(first)
    others = (
        served.drop("other.txt", deck(card(4, 1))),
        served.drop("mend.txt", deck(card(4, 2)), "again"),
    )
    for run in others:
        served.done(run)
        assert served.claim(run).follows is None


def test_a_deck_that_came_back_whole_is_named_by_its_repair(served) -> None:
    first = served.drop("whole-back.txt", "ß\n".encode("utf-16"))
    assert served.returned(first) == ["deck-unreadable"]
    again = served.drop("whole-back.txt", deck(card(9, 9)))
    served.done(again)
    follows = served.claim(again).follows
    assert follows is not None
    assert follows.run == first


# ---- the same again


def test_the_same_deck_after_it_is_done_comes_back_and_names_the_run_that_did_it(served) -> None:
    data = cards_of(2)
    first = served.drop("twice.txt", data)
    served.done(first)
    second = served.drop("twice.txt", data)
    assert second == first
    second = f"{first[:-1]}2"
    assert served.returned(second) == ["duplicate"]
    assert f"done/{first}" in served.reasons(second).entries[0].sentence


def test_the_same_deck_while_it_runs_waits_and_comes_back_then(served) -> None:
    data = cards_of(3)
    first = served.drop("running.txt", data, "slow")
    second = f"{first[:-1]}2"
    served.at_gate("slow")
    served.drop("running.txt", data, "slow")
    served.told("deck_taken", run=second)
    assert served.state(first) == "work"
    served.open_gate("slow")
    served.done(first)
    assert served.returned(second) == ["duplicate"]


def test_the_same_deck_after_it_came_back_is_run_anew(served) -> None:
    data = "ö\n".encode("utf-16")
    first = served.drop("anew.txt", data)
    assert served.returned(first) == ["deck-unreadable"]
    served.drop("anew.txt", data)
    assert served.returned(f"{first[:-1]}2") == ["deck-unreadable"]


def test_the_same_bytes_under_another_name_are_run_and_the_twin_is_named(served) -> None:
    data = cards_of(4)
    first = served.drop("one.txt", data)
    served.done(first)
    other = served.drop("two.txt", data)
    served.done(other)
    assert served.claim(other).same_bytes == first
    assert served.told("run_done", run=other)["same_bytes_as"] == first
    assert served.claim(first).same_bytes is None


def test_the_same_name_with_other_bytes_is_a_run_of_its_own(served) -> None:
    runs = []
    for number in (5, 6):
        runs.append(served.drop("name.txt", cards_of(number)))
        served.done(runs[-1])
    assert len(set(runs)) == 2
    assert served.claim(runs[1]).same_bytes is None


def test_a_job_may_ask_for_the_same_deck_to_be_run_again(served) -> None:
    data = cards_of(7)
    first = served.drop("again.txt", data, "again")
    served.done(first)
    served.drop("again.txt", data, "again")
    second = served.done(f"{first[:-1]}2")
    assert files_of(second / "out") == files_of(served.root / "done" / first / "out")


def test_a_job_may_take_the_same_bytes_under_any_name_for_the_same_deck(served) -> None:
    data = cards_of(8)
    first = served.drop("once.txt", data, "once")
    served.done(first)
    other = served.drop("once-more.txt", data, "once")
    assert served.returned(other) == ["duplicate"]


def test_the_same_deck_for_another_job_is_no_duplicate(served) -> None:
    data = cards_of(9)
    first = served.drop("both.txt", data)
    served.done(first)
    served.drop("both.txt", data, "again")
    served.done(f"{first[:-1]}2")


# ---- notices


def test_observers_hear_of_what_is_done_returned_and_held(served) -> None:
    done = served.drop("heard.txt", cards_of(10))
    back = served.drop("unheard.txt", "ä\n".encode("utf-16"))
    served.done(done)
    served.returned(back)
    path = served.root / "notices.log"
    said = served.wait(
        lambda: (text := path.read_text() if path.exists() else "")
        and done in text and back in text and text,
        "notices",
    )  # fmt: skip
    lines = {run: [line for line in said.splitlines() if run in line] for run in (done, back)}
    assert [len(found) for found in lines.values()] == [1, 1]
    assert "heard.txt" in lines[done][0]
    assert "unheard.txt" in lines[back][0]


# ---- masters


def test_decks_of_one_master_go_in_order_and_each_moves_it_on(served) -> None:
    lane = served.root / "master" / "stock"
    decks = [cards_of(number, cards=2) for number in (20, 21, 22)]
    runs = [served.drop(f"moves-{n}.txt", data, "stock") for n, data in enumerate(decks)]
    for run in runs:
        served.done(run)
    served.wait(
        lambda: (
            (lane / "current").read_bytes()
            == (served.root / "done" / runs[-1] / "out" / "out" / "next.csv").read_bytes()
        ),
        "the master to be that of the last run",
    )
    steps = [served.manifest(run).lane for run in runs]
    assert all(steps)
    assert [step.parent for step in steps[1:]] == [step.next for step in steps[:-1]]
    orders = [served.claim(run).order for run in runs]
    assert orders == sorted(orders)
    assert (lane / "current").read_text().splitlines() == ["item,amount", "00001,22", "00002,22"]


# ---- late bytes and markers


def test_a_deck_that_grows_while_it_runs_is_run_whole(served) -> None:
    first, more = cards_of(30), cards_of(31)
    run = served.drop("grows.txt", first, "grows")
    served.at_gate("grows")
    with (served.root / "work" / run / "deck").open("ab") as file:
        file.write(more)
    served.dropped[-1] = ("grows.txt", first + more)
    served.open_gate("grows")
    served.told("deck_back_in_inbox", run=run)
    whole = served.done(run_of("grows.txt", first + more))
    assert served.manifest(whole.name).counts["in"] == 4
    assert served.state(run) == ""


def test_a_deck_waits_for_its_marker_and_one_that_differs_is_not_taken() -> None:
    with house(stall_s=1) as made:
        made.settings("[jobs.cards]\nrequire_marker = true\n", stall_s=1)
        decks = {name: cards_of(n) for n, name in enumerate(("bare", "good", "hashed", "wrong"))}
        runs = made.drop_all(decks)
        inbox = made.root / "inbox" / "cards"
        (inbox / "good.ok").touch()
        (inbox / "hashed.sha256").write_text(f"{sha256(decks['hashed'])}  hashed\n")
        (inbox / "wrong.sha256").write_text(f"{sha256(decks['good'])}  wrong\n")
        with made.serving():
            made.done(runs[1])
            made.done(runs[2])
            assert made.returned(runs[3]) == ["marker-differs"]
            assert made.state(runs[0]) == ""
        assert [path.name for path in inbox.iterdir()] == ["bare"]


# ---- once


def test_once_takes_what_is_there_and_ends() -> None:
    with house() as made:
        runs = made.drop_all({f"{n}.txt": cards_of(n) for n in range(5)})
        back = made.drop("bad.txt", "ü\n".encode("utf-16"))
        made.once()
        assert [made.state(run) for run in runs] == ["done"] * 5
        assert made.state(back) == "returned"
        tally = made.check(ended=True)
        assert (tally.done, tally.returned) == (5, 1)


def test_once_leaves_decks_of_a_held_job_and_does_not_wait_for_later_tries() -> None:
    with house(retry={"first_wait_s": 3600, "stage_tries": 2}) as made:
        made.job("failing", chain({"kind": "fails"}), plugins=["fails.py"])
        (made.root / "control" / "held-cards").write_text("held by a test")
        held = made.drop("held.txt", cards_of(1))
        failing = made.drop("failing.txt", deck(card(1, 1, CANARY)), "failing")
        made.once()
        assert made.state(held) == ""
        assert (made.root / "inbox" / "cards" / "held.txt").exists()
        assert made.state(failing) == "work"
        assert len(made.events("run_failed", run=failing)) == 1
        assert made.check().waiting == 2
