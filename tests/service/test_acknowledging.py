"""Bytes that came late: a named person can note that they are known, and it is kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from deckwright.service.operate.control import Request
from deckwright.service.operate.verify import verify
from deckwright.service.store.records import Acknowledged, load
from deckwright.service.system.places import Workspace
from service.kit import Rig, run_all, started, workspace

WISH = {"by": "A. Keeper", "why": "the sender wrote a blank line after all was done"}


def differences(root: Path) -> list[str]:
    """Return where something is not as it was left."""
    return [each.place for _, found in verify(Workspace(root)) for each in found]


def append(root: Path, data: bytes) -> str:
    """Let bytes come to the deck of the only done run; return its name."""
    (home,) = (root / "done").iterdir()
    with (home / "deck").open("ab") as file:
        file.write(data)
    return home.name


def asked(rig: Rig, run: str, **changes: str) -> tuple[bool, str]:
    """Ask to acknowledge; return whether it was done, and the answer."""
    answer = rig.operator.do(Request(wish="acknowledge", what=run, **(WISH | changes)))
    return answer.done, answer.said


def test_late_bytes_are_no_difference_once_somebody_has_acknowledged_them():
    with workspace(("1", b"one\n")) as root:
        run_all(root)
        run = append(root, b"\n")
        assert differences(root) == [f"done/{run}/deck"]
        with started(root) as rig:
            assert asked(rig, run)[0]
            assert asked(rig, run, by="B. Other")[0]
            assert rig.told("late_acknowledged")[0] == {
                "run": run,
                "job": "cards",
                "by": WISH["by"],
            }
        assert differences(root) == []
        kept = load(Acknowledged, root / "done" / run / "acknowledged.json")
        assert [(each.by, each.why) for each in kept.entries] == [(WISH["by"], WISH["why"])]


def test_what_comes_after_that_is_a_difference_again_and_the_first_note_is_kept():
    with workspace(("1", b"one\n")) as root:
        run_all(root)
        run = append(root, b"\n")
        with started(root) as rig:
            asked(rig, run)
            append(root, b"more\n")
            assert differences(root) == [f"done/{run}/deck"]
            asked(rig, run, by="B. Other")
        assert differences(root) == []
        kept = load(Acknowledged, root / "done" / run / "acknowledged.json")
        assert [each.by for each in kept.entries] == [WISH["by"], "B. Other"]


def test_a_note_that_was_changed_by_hand_covers_nothing():
    with workspace(("1", b"one\n")) as root:
        run_all(root)
        run = append(root, b"\n")
        with started(root) as rig:
            asked(rig, run)
            path = root / "done" / run / "acknowledged.json"
            path.write_bytes(path.read_bytes().replace(b"A. Keeper", b"A. Sleeper"))
            assert differences(root) == [f"done/{run}/deck"]
            done, said = asked(rig, run)
            assert (done, "restore it from a copy" in said) == (False, True)


def test_a_deck_as_it_was_taken_needs_no_note():
    with workspace(("1", b"one\n")) as root:
        run_all(root)
        (home,) = (root / "done").iterdir()
        with started(root) as rig:
            assert asked(rig, home.name) == (
                True, f"the deck of {home.name} is as it was taken: nothing to note",
            )  # fmt: skip
        assert not (home / "acknowledged.json").exists()


@pytest.mark.parametrize("changes", [{"by": ""}, {"why": ""}, {"by": "x" * 201}])
def test_a_note_without_a_name_or_a_reason_is_refused(changes):
    with workspace(("1", b"one\n")) as root:
        run_all(root)
        run = append(root, b"\n")
        with started(root) as rig:
            done, said = asked(rig, run, **changes)
        assert (done, "a name" in said) == (False, True)
        assert differences(root) == [f"done/{run}/deck"]


def test_a_run_that_is_not_there_or_has_not_ended_cannot_be_acknowledged():
    with workspace(("1", b"one\n")) as root, started(root) as rig:
        rig.take()
        (run,) = rig.runs.open
        assert asked(rig, run) == (False, f"{run} is waiting")
        assert asked(rig, f"{'0' * 16}-{'0' * 6}-1")[0] is False
        assert asked(rig, "cards")[0] is False


def test_the_command_asks_for_name_and_reason(shop, tmp_path):
    said = shop.say("acknowledge", tmp_path, "x")
    assert said.code == 2
    assert "--by" in said.err
