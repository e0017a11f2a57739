"""Any byte that has changed is found: before a run may count, and whenever somebody looks again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.service.operate.verify import verify
from deckwright.service.store.checking import Checked, check_attempt, deck_state
from deckwright.service.store.records import BadRecordError, Claim, load
from deckwright.service.system.places import Workspace
from service.contract import sha256
from service.kit import CARDS, STOCK, drop, lay_out, quick_room, started

PLACE = st.floats(0, 1, exclude_max=True)
FLIP = st.integers(1, 255)


@contextmanager
def flipped(path: Path, place: float, flip: int) -> Iterator[None]:
    """Change a byte of a file for a while: the one at a part of its length."""
    data = path.read_bytes()
    at = int(place * len(data))
    path.write_bytes(data[:at] + bytes([data[at] ^ flip]) + data[at + 1 :])
    try:
        yield
    finally:
        path.write_bytes(data)


# ---- before a run may count


@dataclass(frozen=True)
class Attempt:
    """A run that a worker has brought to its end, and that was not looked at yet."""

    home: Path
    claim: Claim
    files: list[Path]
    manifest: str

    def check(self) -> Checked:
        """Look at it as the service does."""
        return check_attempt(self.home, "out.1", self.claim, self.manifest)


@pytest.fixture(scope="module")
def attempt() -> Iterator[Attempt]:
    with quick_room() as room:
        root = room / "workspace"
        lay_out(root)
        drop(root, "m.deck", b"item 1,1\nitem 2,2\n", job=STOCK)
        with started(root) as rig:
            rig.take()
            rig.runs.start_free(rig.workers)
            (ended,) = rig.workers.poll()
            assert ended.outcome == "done"
            (claim,) = (item.claim for item in rig.runs.open.values())
        home = root / "work" / claim.run
        files = [path for path in home.rglob("*") if path.is_file()]
        yield Attempt(home, claim, files, ended.manifest)


def test_an_attempt_nobody_has_touched_is_complete(attempt):
    checked = attempt.check()
    assert (checked.deck, checked.problem) == ("same", "")
    assert len(checked.files) == len(attempt.files) - 2  # without deck and claim


@settings(max_examples=500, deadline=None)
@given(place=PLACE, flip=FLIP, data=st.data())
def test_a_changed_byte_in_deck_output_or_run_manifest_keeps_a_run_from_counting(
    attempt, place, flip, data
):
    path = data.draw(st.sampled_from(attempt.files).filter(lambda each: each.name != "claim.json"))
    with flipped(path, place, flip):
        checked = attempt.check()
    assert (checked.deck != "same") == (path.name == "deck")
    assert bool(checked.problem) == (path.name != "deck")


def test_another_manifest_that_is_as_sound_keeps_a_run_from_counting(attempt):
    path = attempt.home / "out.1" / "manifest.json"
    data = path.read_bytes()
    path.write_bytes(data.replace(b'"stub": "1"', b'"stub": "2"'))
    assert attempt.check().problem.endswith("is not the one that the run wrote")
    path.write_bytes(data)
    assert not attempt.check().problem


@pytest.mark.parametrize("name", ["out.1/out/more.txt", "out.1/more", "out.1/out/deep/more"])
def test_an_output_too_many_keeps_a_run_from_counting(name, attempt):
    more = attempt.home / name
    made = not more.parent.exists()
    more.parent.mkdir(exist_ok=True)
    more.touch()
    try:
        assert attempt.check().problem
    finally:
        more.unlink()
        if made:
            more.parent.rmdir()
    assert not attempt.check().problem


def test_a_missing_output_keeps_a_run_from_counting(attempt):
    for path in attempt.files:
        if path.parent != attempt.home:
            kept = path.rename(attempt.home / "kept")
            assert attempt.check().problem, path
            kept.rename(path)
    assert not attempt.check().problem


def test_an_output_that_is_a_link_keeps_a_run_from_counting(attempt):
    path = attempt.home / "out.1" / "out" / "cards.txt"
    kept = path.rename(attempt.home / "kept")
    path.symlink_to(kept)
    assert attempt.check().problem
    path.unlink()
    kept.rename(path)
    assert not attempt.check().problem


@settings(max_examples=200, deadline=None)
@given(taken=st.binary(max_size=40), now=st.binary(max_size=60), more=st.binary(max_size=20),
       grows=st.booleans())  # fmt: skip
def test_a_deck_is_the_same_or_longer_or_another(attempt, taken, now, more, grows):
    now = taken + more if grows else now
    facts = attempt.claim.deck.model_copy(update={"size": len(taken), "sha256": sha256(taken)})
    claim = attempt.claim.model_copy(update={"deck": facts})
    path = attempt.home.parent / "some-deck"
    path.write_bytes(now)
    expected = "same" if now == taken else "longer" if now.startswith(taken) else "other"
    assert deck_state(path, claim) == expected


# ---- whenever somebody looks again


class Flip(NamedTuple):
    """A byte of a file that is changed."""

    place: float
    flip: int


FLIPS = [Flip(0, 1), Flip(0.3, 32), Flip(0.6, 255), Flip(0.99999, 128)]
"""At the beginning, within, and at the end of every file."""


@pytest.fixture(scope="module")
def ended() -> Iterator[Path]:
    """Return a workspace with a hundred runs that have ended."""
    with quick_room() as room:
        root = room / "workspace"
        lay_out(root)
        for number in range(80):
            drop(root, f"{number}.deck", b"card %d\n" % number, job=CARDS)
        for number in range(15):
            drop(root, f"bad {number}.deck", b"!deck\n", job=CARDS)
        for number in range(5):
            drop(root, f"m{number}.deck", b"item %d,1\n" % number, job=STOCK)
        with started(root) as rig:
            rig.step_all()
        yield root


def differences(root: Path, run: str = "") -> list[str]:
    """Return what a look at all that has ended finds, or at one run."""
    return [each.place for _, found in verify(Workspace(root), run) for each in found]


def files_in(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def test_nothing_is_found_where_nobody_has_touched_anything(ended):
    assert len([*verify(Workspace(ended))]) > 100
    assert differences(ended) == []


@pytest.mark.slow
def test_a_changed_byte_in_any_file_of_a_hundred_runs_is_found(ended, counts):
    runs = [home for state in ("done", "returned") for home in sorted((ended / state).iterdir())]
    tried = 0
    for home in runs:
        for path in files_in(home):
            for place, flip in FLIPS:
                with flipped(path, place, flip):
                    assert differences(ended, home.name), f"{path.relative_to(ended)} at {place}"
                tried += 1
    counts(flips=tried)
    assert len(runs) == 100
    assert tried > 4 * 4 * 100


@pytest.mark.parametrize("folder", ["master", "config/used"])
def test_a_changed_byte_in_masters_and_kept_configs_is_found(folder, ended):
    paths = files_in(ended / folder)
    for path in paths:
        for place, flip in FLIPS:
            with flipped(path, place, flip):
                assert differences(ended), path
    assert paths
    assert differences(ended) == []


@settings(max_examples=300, deadline=None)
@given(data=st.data(), place=PLACE, flip=FLIP)
def test_a_changed_byte_in_a_record_is_never_taken_for_the_record(ended, data, place, flip):
    paths = [*(ended / "done").glob("*/claim.json"), *(ended / "returned").glob("*/claim.json")]
    path = data.draw(st.sampled_from(sorted(paths)))
    with flipped(path, place, flip), pytest.raises(BadRecordError):
        load(Claim, path)


def test_a_file_that_is_missing_or_too_many_is_found(ended):
    for state in ("done", "returned"):
        home = next((ended / state).iterdir())
        for path in files_in(home):
            kept = path.rename(ended / "tmp" / "kept")
            assert differences(ended, home.name), path
            kept.rename(path)
        (home / "more").touch()
        assert differences(ended, home.name)
        (home / "more").unlink()
    assert differences(ended) == []
