"""A service that is killed at any of its steps loses nothing, doubles nothing, ends the same."""

from __future__ import annotations

import ast
import inspect
import random
import shutil
import textwrap
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from deckwright.service import recovery
from deckwright.service.inbox import latebytes
from deckwright.service.operate import control
from deckwright.service.runs import runs
from deckwright.service.store import checking, holds, masters, spool
from deckwright.service.system.fs import Fs
from service.defects import DEFECTS
from service.faults import COMPOSED, READING, STEPS, FaultFs
from service.killer import Told, carry_out, points, trace
from service.kit import Rig, assert_contract, lay_out, quick_room, run_all, started
from service.scenarios import STORIES, drive
from sets import first_line

FEWEST_POINTS = 85
"""A story that is cut off at fewer points is not cut off everywhere."""

EVERY_STEP = {"plain", "master", "returned", "duplicate", "retry"}
"""Stories that are cut off everywhere each time; of the others each third point, and in the long
set all."""

CHANGING = {
    "chmod", "chown", "copy", "copyfile", "fdatasync", "fsync", "ftruncate", "hardlink_to", "link",
    "makedirs", "mkdir", "mkfifo", "mknod", "move", "remove", "removedirs", "rename", "renames",
    "replace", "rmdir", "rmtree", "symlink", "symlink_to", "touch", "truncate", "unlink", "utime",
    "write_bytes", "write_text",
}  # fmt: skip
"""Names under which Python changes what lies in a file system."""


STORY_NUMBERS = {story: number for number, story in enumerate(STORIES)}


def all_well(told: list[Told], kills: int) -> bool:
    """Tell whether every plan killed as often as planned, and ended without a fault."""
    bad = [each for each in told if each.bad]
    assert not bad, f"{len(bad)} of {len(told)} plans: {bad[0].plan}\n{bad[0].bad}"
    spared = [each.plan for each in told if each.killed != kills]
    assert not spared, f"not killed: {spared[:5]}"
    return True


# ---- every step is counted


def test_every_method_that_changes_the_file_system_is_counted():
    methods = {name for name in vars(Fs) if not name.startswith("_")}
    assert methods == {*STEPS, *COMPOSED, *READING}
    assert all(vars(FaultFs)[name] is not vars(Fs)[name] for name in STEPS)


def test_methods_made_of_others_change_nothing_by_themselves():
    for name in COMPOSED:
        source = textwrap.dedent(inspect.getsource(getattr(Fs, name)))
        assert set(changes(ast.parse(source), steps_of={"self"})) <= {"chmod"}


@pytest.mark.parametrize(
    "module", [checking, holds, masters, latebytes, recovery, runs, spool], ids=lambda m: m.__name__
)
def test_no_part_changes_the_file_system_but_by_a_counted_step(module):
    tree = ast.parse(inspect.getsource(module))
    assert list(changes(tree, steps_of={"fs"})) == []


def test_operators_wishes_change_the_file_system_by_counted_steps_only():
    tree = ast.parse(textwrap.dedent(inspect.getsource(control.Operator)))
    assert list(changes(tree, steps_of={"fs"})) == []


def changes(tree: ast.AST, steps_of: set[str]) -> Iterator[str]:
    """Yield calls that change a file system, but for those of the objects named."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            owner = node.func.value
            name = owner.attr if isinstance(owner, ast.Attribute) else getattr(owner, "id", "")
            if node.func.attr in CHANGING and name not in steps_of:
                yield node.func.attr


# ---- killed once


@pytest.mark.parametrize("twice", [False, pytest.param(True, marks=pytest.mark.long)])
@pytest.mark.parametrize("story", first_line(STORIES, "plain"))
def test_killed_at_any_step_it_ends_as_if_it_had_not_been(story, twice, counts):
    plans = [[fault] for fault in points(trace(story), twice=twice)]
    assert len(plans) >= FEWEST_POINTS
    if not twice and story not in EVERY_STEP:
        plans = plans[STORY_NUMBERS[story] % 3 :: 3]
    counts(points=len(plans))
    assert all_well(carry_out(story, plans), kills=1)


@pytest.mark.slow
@pytest.mark.parametrize("defect", first_line(DEFECTS, next(iter(DEFECTS))))
def test_a_service_made_wrong_is_found_out(defect, counts):
    story = DEFECTS[defect][1]
    steps = len(trace(story))
    told = carry_out(story, [[f"kill:{number}:before"] for number in range(1, steps + 1)], defect)
    found = sum(bool(each.bad) for each in told)
    counts(found=found)
    assert 0 < found < steps


# ---- killed while it recovers


@pytest.mark.slow
@pytest.mark.parametrize("story", ["master", "retry", "returned", "written to while it runs"])
def test_killed_at_any_step_of_a_recovery_it_ends_as_if_it_had_not_been(story, counts):
    first = points(trace(story))
    chosen = first[len(first) // 6 :: len(first) // 3]
    plans = [
        [fault, f"kill:{number}:before"]
        for fault in chosen
        for number in range(1, recovery_steps(trace(story, fault)) + 1)
    ]
    counts(points=len(plans))
    assert len(plans) >= 3 * len(chosen)
    assert all_well(carry_out(story, plans), kills=2)


def recovery_steps(steps: Sequence[str]) -> int:
    """Return after how many of a start's steps it has begun to run something, or else all."""
    begun = [number for number, step in enumerate(steps) if step.endswith("BEGIN IMMEDIATE")]
    return begun[0] + 1 if begun else len(steps)


def pairs(count: int, seed: int) -> dict[str, list[list[str]]]:
    """Return so many random plans of two kills, by story."""
    chance = random.Random(seed)  # noqa: S311 # repeatable
    names = list(STORIES)
    plans: dict[str, list[list[str]]] = {name: [] for name in names}
    traces = {name: points(trace(name)) for name in names}
    for number in range(count):
        first = traces[names[number % len(names)]]
        plans[names[number % len(names)]].append([chance.choice(first), chance.choice(first)])
    return plans


@pytest.mark.parametrize(
    ("count", "seed"),
    [
        pytest.param(100, 1, marks=pytest.mark.slow),
        pytest.param(500, 2, marks=pytest.mark.long),
    ],
)
def test_killed_twice_at_random_steps_it_ends_as_if_it_had_not_been(count, seed, counts):
    told = [each for story, plans in pairs(count, seed).items() for each in carry_out(story, plans)]
    bad = [each for each in told if each.bad]
    assert not bad, f"{len(bad)} of {len(told)} plans: {bad[0].plan}\n{bad[0].bad}"
    kills = sum(each.killed for each in told)
    counts(pairs=len(told))
    counts(kills=kills)
    assert len(told) == count
    assert kills > 1.3 * count  # the second point may lie behind the end


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_a_master_moved_on_fifty_times_is_the_same_wherever_it_was_cut_off(counts):
    plans = [[fault] for fault in points(trace("fifty"))]
    counts(points=len(plans))
    assert len(plans) >= 50 * 40
    assert all_well(carry_out("fifty", plans), kills=1)


def test_a_link_among_the_scratch_is_removed_and_never_what_it_leads_to():
    with quick_room() as root, quick_room() as elsewhere:
        lay_out(root)
        (elsewhere / "file").write_bytes(b"")
        (root / "tmp" / "link").symlink_to(elsewhere)
        run_all(root)
        assert not list((root / "tmp").iterdir())
        assert [path.name for path in elsewhere.iterdir()] == ["file"]


# ---- the checker itself


@pytest.fixture
def ended() -> Iterator[Path]:
    with quick_room() as room:
        drive(room / "workspace", STORIES["returned"])
        yield room / "workspace"


DROPPED = STORIES["returned"].dropped(1)


def a_run(root: Path, state: str) -> Path:
    return next((root / state).iterdir())


SPOILT: dict[str, Callable[[Path], object]] = {
    "a deck is lost": lambda root: shutil.rmtree(a_run(root, "returned")),
    "a deck lies in two places": lambda root: shutil.copytree(
        a_run(root, "done"), root / "hold" / a_run(root, "done").name
    ),
    "a deck is back in the inbox": lambda root: shutil.copy(
        a_run(root, "done") / "deck", root / "inbox" / "cards" / "a.deck"
    ),
    "a byte of the deck differs": lambda root: (a_run(root, "done") / "deck").write_bytes(b"x"),
    "a byte of an output differs": lambda root: (
        a_run(root, "done") / "out" / "out" / "cards.txt"
    ).write_bytes(b"x"),
    "an output is missing": lambda root: (
        a_run(root, "done") / "out" / "out" / "cards.txt"
    ).unlink(),
    "an output is too many": lambda root: (a_run(root, "done") / "out" / "more").touch(),
    "something else lies in a done run": lambda root: (a_run(root, "done") / "more").touch(),
    "the manifest is missing": lambda root: (a_run(root, "done") / "manifest.json").unlink(),
    "the claim is missing": lambda root: (a_run(root, "done") / "claim.json").unlink(),
    "the reasons are missing": lambda root: (a_run(root, "returned") / "reasons.json").unlink(),
    "the words differ": lambda root: (a_run(root, "returned") / "reasons.txt").write_bytes(b""),
    "something is left in work": lambda root: (root / "work" / "left").mkdir(),
}


@pytest.mark.parametrize("what", SPOILT)
def test_the_checker_sees_that(what, ended):
    assert_contract(ended, DROPPED, ended=True)
    SPOILT[what](ended)
    with pytest.raises((AssertionError, OSError, ValueError)):
        assert_contract(ended, DROPPED, ended=True)


def test_the_checker_sees_a_done_deck_that_grew_unseen(monkeypatch):
    monkeypatch.setattr(checking, "deck_state", lambda deck, claim: "same")
    monkeypatch.setattr(latebytes.LateSweep, "round", lambda self: None)
    story = STORIES["written to while it runs"]
    with quick_room() as room:
        root = room / "workspace"
        with started(root) as rig:
            for act in story.steps[0].acts:
                act(root)
            rig.step_all()
        with pytest.raises(AssertionError, match="done without its late bytes"):
            assert_contract(root, story.dropped(1), ended=True)


def test_a_workspace_that_is_used_twice_stays_as_it_is():
    with quick_room() as room:
        drive(room / "workspace", STORIES["master"])
        before = Rig(room / "workspace")
        rows = before.ledger.rows("done")
        before.close()
        run_all(room / "workspace")
        after = Rig(room / "workspace")
        assert after.ledger.rows("done") == rows
        after.close()
