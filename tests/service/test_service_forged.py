"""What lies in the workspace is read as foreign input, whoever may have written it there."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.service.outward.state import State
from deckwright.service.store.records import (
    BadRecordError,
    Claim,
    Manifest,
    Reasons,
    Record,
    Sealed,
    parse,
)
from deckwright.service.workers.messages import Ended, Progress, RunOrder
from service.contract import sha256
from service.house import CANARY, House, ask, cards_of, deck, house, run_of

RUN = f"{1:016x}-{2:06x}-1"
SHA = "0" * 64
DECK = {"name": b"a.txt".hex(), "shown": "a.txt", "size": 3, "sha256": SHA}
CLAIM = {"run": RUN, "deck": DECK, "folder": b"cards".hex(), "job": "cards", "config": SHA,
         "taken_at": "2031-05-06T07:08:09+00:00", "order": 1}  # fmt: skip
GOOD: dict[type[Record], dict[str, Any]] = {
    Claim: CLAIM,
    Manifest: {"run": RUN, "job": "cards", "deck": DECK, "config": SHA, "versions": {"a": "1"},
               "counts": {"in": 1}, "files": [{"name": "out/a", "size": 1, "sha256": SHA}]},
    Reasons: {"run": RUN, "job": "cards", "deck": DECK, "count": 1,
              "entries": [{"code": "a", "sentence": "b"}]},
    State: {"process": 1, "at": "now"},
    RunOrder: {"run": RUN, "folder": "/a", "out": "out.1", "deck_name": "a", "snapshot": "/b"},
    Progress: {"run": RUN, "stage": "a", "done": 1, "total": 2},
    Ended: {"run": RUN, "outcome": "done"},
}  # fmt: skip
"""A small good one of each record."""

ODD = st.one_of(
    st.none(), st.booleans(), st.floats(), st.integers(-(2**70), 2**70), st.just(CANARY),
    st.text(max_size=5), st.lists(st.just(CANARY), max_size=2),
    st.dictionaries(st.just(CANARY), st.just(CANARY), max_size=2),
)  # fmt: skip


def written(content: Any, model: type[Record] = Record) -> bytes:
    """Return content as a record is written, with a seal that fits where there must be one."""
    rest = json.dumps(content, indent=2).encode() + b"\n"
    if not (issubclass(model, Sealed) and rest.endswith(b"\n}\n")):
        return rest
    return rest[:-3] + b',\n  "seal": "%b"\n}\n' % sha256(rest).encode()


@pytest.mark.parametrize("model", GOOD)
def test_a_good_record_is_read_and_written_in_one_form(model) -> None:
    record = parse(model, written(GOOD[model], model))
    assert parse(model, record.to_bytes()) == record
    assert parse(model, record.to_bytes()).to_bytes() == record.to_bytes()


def refusal(model: type[Record], data: bytes) -> tuple[str, BaseException | None]:
    """Return why a record is refused and what the cause tells; nothing when it is read."""
    try:
        parse(model, data)
    except BadRecordError as error:
        return str(error), error.__cause__
    return "", None


@given(st.sampled_from([*GOOD]), st.data())
@settings(max_examples=300, deadline=None)
def test_a_record_with_another_value_is_read_or_refused_without_repeating_it(model, data) -> None:
    content = dict(GOOD[model])
    key = data.draw(st.sampled_from([*content, CANARY]))
    content[key] = data.draw(ODD)
    said, cause = refusal(model, written(content, model))
    assert CANARY not in said
    assert said.isprintable()
    assert cause is None


def test_a_key_of_a_free_table_is_not_repeated() -> None:
    content = {**GOOD[Manifest], "counts": {CANARY: CANARY}}
    with pytest.raises(BadRecordError) as told:
        parse(Manifest, written(content, Manifest))
    assert str(told.value) == "manifest: counts.an unknown key"


@pytest.mark.parametrize("value", [-1, 2**63, 2**80, 1.0, 1e400, "1", True, None])
@pytest.mark.parametrize("model", [Claim, Reasons, Progress])
def test_a_count_is_a_whole_number_within_bounds(model, value) -> None:
    key = {Claim: "order", Reasons: "count", Progress: "done"}[model]
    with pytest.raises(BadRecordError):
        parse(model, written({**GOOD[model], key: value}, model))


@given(st.sampled_from([*GOOD]), st.binary(max_size=60), st.integers(0, 500))
@settings(max_examples=300, deadline=None)
def test_mangled_records_are_refused_in_one_way(model, patch, at) -> None:
    data = written(GOOD[model], model)
    assert len(refusal(model, data[:at] + patch + data[at + len(patch) :])[0]) < 1000


@pytest.mark.parametrize("name", [b"a/b", b"/a", b"..", b".", b"a\0b", b"../a", b"a" * 256, b""])
def test_a_name_that_no_file_can_have_is_no_name_in_a_record(name) -> None:
    with pytest.raises(BadRecordError):
        parse(Claim, written({**CLAIM, "deck": {**DECK, "name": name.hex()}}, Claim))
    with pytest.raises(BadRecordError):
        parse(Claim, written({**CLAIM, "folder": name.hex()}, Claim))


# ---- claims


def sealed(claim: dict[str, Any], **changed: Any) -> bytes:
    """Return a claim with other values and a seal that fits."""
    return written({**claim, **changed}, Claim)


FORGED: dict[str, Callable[[dict[str, Any]], bytes]] = {
    "nothing": lambda claim: b"",
    "no JSON": lambda claim: b"{",
    "endless": lambda claim: b"[" * 100_000,
    "a list": lambda claim: b"[]",
    "not text": lambda claim: b"\xff\xfe" + sealed(claim),
    "without a seal": written,
    "another run": lambda claim: sealed(claim, run=RUN),
    "an unknown key": lambda claim: sealed(claim, more=1),
    "a lacking key": lambda claim: written({k: v for k, v in claim.items() if k != "job"}, Claim),
    "another hash": lambda claim: sealed(claim, deck={**claim["deck"], "sha256": SHA}),
    "a way out of the folder": lambda claim: sealed(claim, folder=b"../..".hex()),
    "a way out of the inbox": lambda claim: sealed(
        claim, deck={**claim["deck"], "name": b"../../../escaped".hex()}
    ),
    "a job elsewhere": lambda claim: sealed(claim, job="../../first"),
    "a config elsewhere": lambda claim: sealed(claim, config="../../../config/x"),
}


def lay_out(made: House, model: dict[str, Any], name: str, data: bytes) -> Path:
    """Make the folder of a run that waits, as if the service had taken its deck."""
    run = run_of(name, data)
    home = made.root / "work" / run
    home.mkdir()
    (home / "deck").write_bytes(data)
    facts = {"name": name.encode().hex(), "shown": name, "size": len(data), "sha256": sha256(data)}
    (home / "claim.json").write_bytes(sealed(model, run=run, deck=facts))
    made.dropped.append((name, data))
    return home


@pytest.mark.slow
def test_a_deck_with_a_forged_claim_comes_back_as_damaged_and_its_twin_is_run() -> None:
    with house() as made:
        first = made.drop("first.txt", cards_of(0))
        made.once()
        model = json.loads(made.claim(first).model_dump_json())
        homes = {
            name: lay_out(made, model, f"{number}.txt", cards_of(number))
            for number, name in enumerate(FORGED, start=1)
        }
        twin = lay_out(made, model, "twin.txt", cards_of(99))
        (twin / "out.7").symlink_to(made.root / "config")
        for name, home in homes.items():
            claim = json.loads((home / "claim.json").read_bytes())
            del claim["seal"]
            (home / "claim.json").write_bytes(FORGED[name](claim))
        made.once()
        for number, (name, home) in enumerate(homes.items(), start=1):
            assert made.state(home.name) == "returned", name
            assert [entry.code for entry in made.reasons(home.name).entries] == ["damaged"], name
            assert (made.root / "returned" / home.name / "deck").read_bytes() == cards_of(number)
        assert made.state(twin.name) == "done"
        assert (made.root / "config" / "service.toml").exists()
        assert not list(made.root.parent.rglob("escaped"))
        assert len(made.events("recovered")[0]["damaged"]) == len(FORGED)


# ---- what lies where runs lie


@pytest.mark.slow
def test_links_in_the_place_of_runs_are_not_followed(tmp_path) -> None:
    with house() as made:
        outside = tmp_path / "outside"
        outside.mkdir()
        (outside / "deck").write_bytes(cards_of(1))
        (outside / "kept.txt").write_bytes(b"kept")
        (outside / "claim.json").write_bytes(written(CLAIM))
        for place in ("work", "hold", "done", "returned"):
            (made.root / place / RUN).symlink_to(outside)
        (made.root / "tmp" / "link").symlink_to(outside)
        (made.root / "tmp" / "file").write_bytes(b"left by a worker")
        twin = made.drop("twin.txt", cards_of(2))
        made.once()
        assert {path.name for path in outside.iterdir()} == {"deck", "kept.txt", "claim.json"}
        assert list((made.root / "tmp").iterdir()) == []
        assert made.state(twin) == "done"
        assert made.status()["dropped"] == 1


@pytest.mark.slow
def test_a_forged_manifest_is_told_when_the_ledger_is_rebuilt_and_keeps_nobody_waiting() -> None:
    with house() as made:
        runs = made.drop_all({f"{n}.txt": cards_of(n) for n in range(3)})
        made.once()
        for path in made.root.glob("ledger.db*"):
            path.unlink()
        for run, content in zip(
            runs, (b"{", written({**GOOD[Manifest], "run": RUN}, Manifest)), strict=False
        ):
            (made.root / "done" / run / "manifest.json").write_bytes(content)
        made.drop("0.txt", cards_of(0))
        made.drop("2.txt", cards_of(2))
        with made.serving():
            problems = made.told("recovered")["problems"]
            assert any(runs[0] in each for each in problems)
            assert made.returned(f"{runs[2][:-1]}2") == ["duplicate"]
            made.end_of(f"{runs[0][:-1]}2")
        code, out, _ = made.say("verify", made.root)
        assert code == 1
        for run in runs[:2]:
            assert run in out
        assert runs[2] not in out


# ---- requests and states


@pytest.mark.slow
def test_forged_requests_are_answered_or_left_and_a_right_one_is_served(tmp_path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(CANARY.encode())
    with house() as made, made.serving():
        run = made.drop("a.txt", cards_of(1))
        made.done(run)
        control = made.root / "control"

        def forged(number: int, make: Callable[[Path], object]) -> Path:
            path = control / f"{number:016x}.request"
            make(path)
            return path

        forged(1, lambda path: path.write_bytes(b"{"))
        forged(2, lambda path: path.write_bytes(b"[" * 4000))
        forged(3, lambda path: path.symlink_to(secret))
        forged(4, os.mkfifo)
        forged(5, lambda path: path.write_bytes(b" " * 5000 + written({"wish": "hold"})))
        forged(6, lambda path: path.write_bytes(written({"wish": "delete", "what": run})))
        forged(7, lambda path: path.write_bytes(written({"wish": "hold", "what": "../../etc"})))
        forged(8, lambda path: path.write_bytes(written({"wish": "requeue", "what": f"{run}/.."})))
        folder = forged(9, lambda path: path.mkdir())
        stranger = control / "stranger.request"
        stranger.write_bytes(b"{")
        right = ask(made, "hold", "cards")
        for number in range(1, 9):
            path = control / f"{number:016x}.answer"
            said = made.wait(lambda path=path: path.exists() and path.read_bytes(), str(path))
            assert json.loads(said)["done"] is False
            assert CANARY.encode() not in said
        answer = made.wait(lambda: right.exists() and right.read_bytes(), "the right answer")
        assert json.loads(answer)["done"] is True
        assert secret.read_bytes() == CANARY.encode()
        assert stranger.exists()
        assert "cards" in made.status()["held_jobs"]
        assert ask(made, "resume", "cards")
        made.done(made.drop("b.txt", cards_of(2)))
        folder.rmdir()


@pytest.mark.parametrize(
    "content", [b"", b"{", written({"process": "1"}), b"\xff" * 100, b"[" * 99_999]
)
def test_a_forged_state_is_no_state(content, waiting) -> None:
    path = waiting.root / "control" / "state.json"
    path.write_bytes(content)
    status = waiting.status()
    assert status["service"] == "not running"
    assert status["dropped"] == 1


@pytest.fixture(scope="module")
def waiting():
    """Give a house that is not served, with one deck in its inbox."""
    with house() as made:
        made.drop("a.txt", deck("1"))
        yield made


def test_a_held_job_may_be_forged_by_its_file_alone_and_names_lead_nowhere(waiting) -> None:
    control = waiting.root / "control"
    for name in ("held-a\nb", "held-..", "held-" + "a" * 100, "held-$(id)"):
        (control / name).write_bytes(b"forged")
    (control / "held-cards").symlink_to("/etc/hostname")
    try:
        assert set(status_of(waiting)) <= {"cards"}
    finally:
        for path in control.glob("held-*"):
            path.unlink()


def status_of(made: House) -> dict[str, str]:
    return made.status()["held_jobs"]
