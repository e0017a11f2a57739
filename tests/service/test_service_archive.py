"""Old runs go into a sealed archive that is still read, and no cut loses one."""

from __future__ import annotations

import json
import shutil
import zipfile

import pytest

from deckwright.service.operate import archive as archive_module
from deckwright.service.operate import tidy
from deckwright.service.operate.archive import ArchiveError, archives
from deckwright.service.system.places import Workspace
from service.contract import files_of
from service.house import House, card, cards_of, deck, house, run_of
from service.kit import started

UNREADABLE = "ß\n".encode("utf-16")
OLD = ("tidy", "--older-than", "0", "--accepted-by", "A. Reader", "--archive")


def archive(made: House, *more: str) -> str:
    command, *rest = OLD
    code, out, err = made.say(command, made.root, *rest, *more)
    assert (code, err) == (0, "")
    return out


@pytest.fixture(scope="module")
def served():
    """Give a house whose service has ended, with done runs, a returned one and a master."""
    with house() as made:
        made.settings(made.lane())
        made.drop("week-23.txt", deck(card(1), "XX"))
        made.drop("back.txt", UNREADABLE)
        for number in range(3):
            made.drop(f"moves-{number}.txt", cards_of(number), "stock")
        made.once()
        yield made


@pytest.fixture
def ended(served):
    """Give a copy of that house, for a test that changes it."""
    with house() as made:
        shutil.rmtree(made.root)
        shutil.copytree(served.root, made.root, symlinks=True)
        yield made


def told(made: House, *arguments: object) -> str:
    code, out, err = made.say(*arguments)
    assert (code, err) == (0, "")
    return out


def test_an_archived_run_is_still_found_traced_told_and_verified(ended) -> None:
    run = run_of("week-23.txt", deck(card(1), "XX"))
    home = ended.root / "done" / run
    questions = [("trace", home / "out", 1), ("journal", home / "out"), ("log", home / "out")]
    before = [told(ended, *each) for each in questions]
    bytes_before = files_of(home)
    assert "archived" in archive(ended)
    archive(ended, "--returned")
    assert {path.name for path in (ended.root / "done").iterdir()} == {
        run_of("moves-2.txt", cards_of(2))
    }
    assert [*(ended.root / "returned").iterdir()] == []
    pack = ended.root / "archive" / "0001.zip"
    with zipfile.ZipFile(pack) as file:
        inside = {name: file.read(name) for name in file.namelist() if name.startswith(run)}
    assert inside == {f"{run}/{name}": data for name, data in bytes_before.items()}
    assert [told(ended, *each) for each in questions] == before
    assert told(ended, "trace", pack / run / "out", 1) == before[0]
    (entry,) = json.loads(told(ended, "find", ended.root, "week-23", "--json"))
    assert (entry["state"], entry["files"]) == ("archived", [f"archive/0001.zip/{run}"])
    assert entry["why"] == "accepted by A. Reader"
    assert len(json.loads(told(ended, "status", ended.root, "--state", "archived", "--json"))) == 4
    assert "0 differences" in told(ended, "verify", ended.root)
    ended.once()
    assert "0 differences" in told(ended, "verify", ended.root)


def test_a_changed_archive_is_found_and_a_broken_one_is_told_in_a_sentence(ended) -> None:
    archive(ended)
    pack = ended.root / "archive" / "0001.zip"
    data = bytearray(pack.read_bytes())
    data[len(data) // 2] ^= 1
    pack.write_bytes(data)
    code, out, _ = ended.say("verify", ended.root)
    assert (code, "archive/0001.zip is not what was sealed" in out) == (1, True)
    pack.write_bytes(bytes(data[:100]))
    run = run_of("week-23.txt", deck(card(1), "XX"))
    code, _, err = ended.say("trace", ended.root / "done" / run / "out", 1)
    assert (code, "cannot be read" in err, err.count("\n")) == (1, True, 1)
    record = pack.with_suffix(".json")
    record.write_bytes(record.read_bytes().replace(b"A. Reader", b"B. Reader"))
    with pytest.raises(ArchiveError, match="changed since it was written"):
        list(archives(Workspace(ended.root)))


@pytest.mark.slow
@pytest.mark.parametrize("removed", [None, 0, 2])
def test_a_cut_leaves_every_run_in_its_folder_or_in_the_archive(
    removed, ended, monkeypatch
) -> None:
    """removed: runs removed before the cut; None: it came before the archive was whole."""
    runs = {path.name for path in (ended.root / "done").iterdir()}
    left = iter(range(removed or 0))
    keep = tidy.remove

    def cut(*given: object) -> None:
        if removed is None or next(left, None) is None:
            raise KeyboardInterrupt
        keep(*given)

    with monkeypatch.context() as patch:
        if removed is None:
            patch.setattr(archive_module, "_compare", cut)
        patch.setattr(tidy, "remove", cut)
        assert ended.say(OLD[0], ended.root, *OLD[1:])[0] == 130
    for again in range(2):
        records = [record for _, record in archives(Workspace(ended.root))]
        packed = [each.run for record in records for each in record.runs]
        there = {path.name for path in (ended.root / "done").iterdir()}
        assert {*packed, *there} == runs
        assert len(packed) == len(set(packed)) == (3 if again or removed is not None else 0)
        assert ended.say("verify", ended.root)[0] == 0
        archive(ended)
    assert len(there) == 1


def test_histories_go_with_the_last_run_of_their_days(ended) -> None:
    log = ended.root / "log"
    old, fresh = log / "history-1999-01-01.jsonl", next(log.glob("history-2*.jsonl"))
    old.write_text("{}\n")
    told(ended, "tidy", ended.root, "--older-than", "0")
    assert old.exists()
    archive(ended)
    assert (old.exists(), fresh.exists()) == (False, True)


@pytest.mark.slow
def test_a_ledger_that_is_made_anew_knows_archived_runs(ended) -> None:
    archive(ended)
    archive(ended, "--returned")
    ended.workspace.ledger.unlink()
    ended.once()
    assert ended.events("ledger_rebuilt")
    assert not ended.events("run_done")
    listed = told(ended, "status", ended.root, "--state", "archived", "--json")
    assert {each["deck"] for each in json.loads(listed)} == {
        "week-23.txt", "back.txt", "moves-0.txt", "moves-1.txt",
    }  # fmt: skip
    data = deck(card(1), "XX")
    ended.drop("week-23.txt", data)
    ended.once()
    assert ended.returned(run_of("week-23.txt", data, 2)) == ["duplicate"]
    assert "0 differences" in told(ended, "verify", ended.root)


def test_archived_runs_are_entered_as_they_ended_and_need_no_delivery(ended) -> None:
    archive(ended)
    archive(ended, "--returned")
    ended.workspace.ledger.unlink()
    with started(ended.root) as rig:
        ends = sorted((row.state, row.name) for row in rig.ledger.rows("done", "returned"))
        assert ends == [
            ("done", b"moves-0.txt"), ("done", b"moves-1.txt"), ("done", b"moves-2.txt"),
            ("done", b"week-23.txt"), ("returned", b"back.txt"),
        ]  # fmt: skip
        assert {row.name for row in rig.ledger.undelivered(["cards", "stock"], 9)} == {
            b"moves-2.txt"
        }


def test_an_archive_that_cannot_be_read_stops_no_start(ended) -> None:
    archive(ended)
    pack = ended.root / "archive" / "0001.zip"
    pack.write_bytes(pack.read_bytes()[:100])
    ended.workspace.ledger.unlink()
    ended.once()
    (event,) = ended.events("recovered")
    assert "0001.zip" in str(event["problems"])
