"""A workspace is made whole, shows every key, and has a first job that works."""

from __future__ import annotations

import errno
import os
import re
import stat
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.engine.planning.plan import load_plan
from deckwright.engine.run import run_job
from deckwright.errors import OutputError, UnreadableDeckError
from deckwright.jobs.base import ConfigModel
from deckwright.jobs.service import (
    DeliverSpec,
    JobServiceSpec,
    LimitsSpec,
    NoticeSpec,
    RetrySpec,
    ServiceSpec,
    load_service,
)
from deckwright.service.operate.starting import init_workspace
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import FOLDERS
from deckwright_plugins.notices.append_line import AppendLineConfig

TEMPLATE = files("deckwright.service").joinpath("template/config/service.toml").read_text("utf-8")
LINES = TEMPLATE.splitlines()
KEY = re.compile(r"^#(?P<key>[a-z_]+) = ")
HEADER = re.compile(r"^#?\[+(?P<table>[a-z.]+)\]+$")
MODELS: dict[str, type[ConfigModel]] = {
    "": ServiceSpec,
    "limits": LimitsSpec,
    "retry": RetrySpec,
    "jobs.first": JobServiceSpec,
    "jobs.first.deliver": DeliverSpec,
    "notice": NoticeSpec,
}
EXAMPLES = {"master", "next_master", "due_s", "at_once", "fetch"}
"""Keys without a default; the file shows what one could look like."""


def keys_by_table() -> dict[str, list[int]]:
    """Return the numbers of the lines with a key, by the table in which they stand."""
    found: dict[str, list[int]] = {"": []}
    table = ""
    for number, line in enumerate(LINES):
        if header := HEADER.match(line):
            table = header["table"]
            found[table] = []
        elif KEY.match(line):
            found[table].append(number)
    return found


def key_in(number: int) -> str:
    match = KEY.match(LINES[number])
    assert match is not None
    return match["key"]


def with_keys(numbers: set[int]) -> str:
    """Return the file with the mark taken away from some lines."""
    return "\n".join(
        line.removeprefix("#") if number in numbers else line for number, line in enumerate(LINES)
    )


ALL = keys_by_table()
PLAIN = [n for table in ("", "limits", "retry", "jobs.first") for n in ALL[table]]


def test_the_service_file_shows_every_key_and_no_other() -> None:
    tables = {"limits", "retry", "jobs", "notice"}
    for table, model in MODELS.items():
        shown = [key_in(number) for number in ALL[table]]
        assert shown == [key for key in model.model_fields if key not in tables | {"deliver"}]
    assert set(ALL) == set(MODELS)


def test_every_key_is_explained_in_the_line_above_it() -> None:
    for numbers in ALL.values():
        for number in numbers:
            assert re.match(r"# [A-Z`\"].*[.:]$", LINES[number - 1]), LINES[number]


def test_the_service_file_as_it_is_made_sets_nothing() -> None:
    spec = ServiceSpec.model_validate(tomllib.loads(TEMPLATE))
    assert spec == ServiceSpec(jobs={"first": JobServiceSpec()})


@settings(deadline=None)
@given(st.sets(st.sampled_from(PLAIN)))
def test_every_default_shown_is_the_true_one(numbers) -> None:
    spec = ServiceSpec.model_validate(tomllib.loads(with_keys(numbers)))
    named = {key_in(number) for number in numbers} & EXAMPLES
    first = spec.job("first")
    assert all(getattr(first, key) for key in named)
    bare = first.model_copy(update=dict.fromkeys(named))
    assert spec.model_copy(update={"jobs": {"first": bare}}) == ServiceSpec(
        jobs={"first": JobServiceSpec()}
    )


def test_the_keys_without_a_default_say_so() -> None:
    for number in PLAIN:
        example = "No default; an example:" in LINES[number - 1]
        assert example == (key_in(number) in EXAMPLES)


def test_the_tables_without_a_default_load_when_the_marks_are_taken_away() -> None:
    numbers = {
        number
        for number, line in enumerate(LINES)
        if KEY.match(line) or line in {"#[jobs.first.deliver]", "#[[notice]]"}
    }
    spec = ServiceSpec.model_validate(tomllib.loads(with_keys(numbers)))
    deliver = spec.job("first").deliver
    assert deliver is not None
    assert deliver.files == []
    assert spec.notice[0].kind == "append-line"
    assert AppendLineConfig.model_validate(spec.notice[0].options).form == "plain"


# ---- the workspace


def test_a_workspace_has_all_its_folders_closed_to_others(tmp_path) -> None:
    root = tmp_path / "new" / "place"
    made = init_workspace(root)
    for name in (*FOLDERS, "inbox/first"):
        assert (root / name).is_dir()
        assert stat.S_IMODE((root / name).stat().st_mode) & ~0o750 == 0
        assert root / name in made
    for path in made:
        if path.is_file():
            assert stat.S_IMODE(path.stat().st_mode) & ~0o640 == 0
    assert not (root / "examples").exists()
    assert list(root.rglob(".*")) == []
    assert load_service(root / "config" / "service.toml").workers == ServiceSpec().workers


def test_what_is_there_is_never_changed_and_what_is_missing_is_made(tmp_path, shop) -> None:
    root = tmp_path / "place"
    init_workspace(root)
    (root / "config" / "service.toml").write_text("workers = 1\n", encoding="utf-8")
    (root / "notes.txt").write_text("mine", encoding="utf-8")
    (root / "hold").rmdir()
    before = shop.files(root)
    assert init_workspace(root) == [root / "hold"]
    assert shop.files(root) == before
    made = init_workspace(root, example=True)
    assert {path.name for path in made} == {
        "examples", "EXAMPLES.txt", "week-23.txt", "week-24.txt", "week-25.txt",
    }  # fmt: skip
    assert init_workspace(root, example=True) == []
    assert {name: data for name, data in shop.files(root).items() if name in before} == before


def test_the_first_job_does_not_come_back_beside_others(tmp_path) -> None:
    root = tmp_path / "place"
    init_workspace(root)
    jobs = root / "config" / "jobs"
    (jobs / "first.toml").rename(jobs / "own.toml")
    (root / "config" / "layouts" / "first.toml").unlink()
    (root / "inbox" / "first").rmdir()
    assert init_workspace(root) == []


@pytest.mark.parametrize("kind", ["file", "other folder", "dangling link", "config of another"])
def test_what_is_something_else_is_refused_and_left_alone(kind, tmp_path, shop) -> None:
    root = tmp_path / "place"
    if kind == "file":
        root.write_text("mine", encoding="utf-8")
    elif kind == "dangling link":
        root.symlink_to(tmp_path / "nowhere")
    else:
        inner = root / ("config" if kind == "config of another" else "pictures")
        inner.mkdir(parents=True)
        (inner / "mine.txt").write_text("mine", encoding="utf-8")
    before = shop.files(tmp_path)
    with pytest.raises(OutputError, match="place: is not") as caught:
        init_workspace(root)
    assert caught.value.exit_code == 73
    assert shop.files(tmp_path) == before
    assert len(list(root.glob("*"))) == (2 - len(before) if root.is_dir() else 0)


@pytest.mark.parametrize("blocked", ["config/jobs", "done"])
def test_a_file_in_the_place_of_a_folder_is_named(blocked, tmp_path) -> None:
    root = tmp_path / "place"
    init_workspace(root)
    for path in sorted((root / blocked).rglob("*"), reverse=True):
        path.unlink()
    (root / blocked).rmdir()
    (root / blocked).write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=rf"{blocked}: cannot be made: file exists"):
        init_workspace(root)


class Cut(Fs):
    """Fails at one step and all later ones, as after a kill."""

    def __init__(self, steps: int) -> None:
        self.left = steps

    def _step(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def make_folder(self, path: Path) -> None:
        self._step()
        super().make_folder(path)

    def write_new(self, path: Path, data: bytes) -> None:
        self._step()
        super().write_new(path, data[: len(data) // 2 if not self.left else None])
        if not self.left:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def rename_new(self, source: Path, target: Path) -> None:
        self._step()
        super().rename_new(source, target)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 34))
def test_an_attempt_that_was_cut_off_is_finished_by_the_next(room, shop, steps) -> None:
    whole, cut = room() / "place", room() / "place"
    init_workspace(whole, example=True)
    try:
        init_workspace(cut, example=True, fs=Cut(steps))
    except OutputError as error:
        assert "no space left on device" in str(error)  # noqa: PT017 # it may also succeed
    init_workspace(cut, example=True)
    assert shop.files(cut) == shop.files(whole)
    assert sorted(p.relative_to(cut) for p in cut.rglob("*")) == sorted(
        p.relative_to(whole) for p in whole.rglob("*")
    )


# ---- the first job and its examples


@pytest.fixture(scope="module")
def workspace(tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("service") / "place"
    init_workspace(root, example=True)
    return root


def test_the_first_job_has_no_fault(workspace) -> None:
    plan = load_plan(workspace / "config" / "jobs" / "first.toml")
    assert [step.kind for step in plan.steps] == ["decode", "validate", "sort", "emit"]
    assert "invented" in plan.spec.title


def test_the_clean_deck_is_done_without_a_returned_card(workspace, tmp_path) -> None:
    job, deck = workspace / "config/jobs/first.toml", workspace / "examples/week-23.txt"
    outcome = run_job(job, [deck], tmp_path / "run", workers=1)
    assert (outcome.cards, outcome.delivered, outcome.returned) == (12, 12, 0)
    table = (outcome.folder / "out" / "movements.csv").read_text("utf-8").splitlines()
    items = [line.split(",")[1] for line in table[1:]]
    assert items == sorted(items)
    assert len(items) == 12


def test_the_faulty_deck_is_done_and_four_cards_come_back(workspace, tmp_path) -> None:
    job, deck = workspace / "config/jobs/first.toml", workspace / "examples/week-24.txt"
    outcome = run_job(job, [deck], tmp_path / "run", workers=1)
    assert (outcome.cards, outcome.delivered, outcome.returned) == (12, 8, 4)
    reasons = (outcome.folder / "returned" / "reasons.csv").read_text("utf-8").splitlines()
    found = [(line.split(",")[0], line.split(",")[5]) for line in reasons[1:]]
    words = (workspace / "EXAMPLES.txt").read_text("utf-8")
    assert found == [
        ("2", "check-digit"),
        ("5", "not-a-digit"),
        ("8", "no-such-date"),
        ("11", "not-in-list"),
    ]
    assert re.findall(r"card (\d+)", " ".join(words.split())) == [card for card, _ in found]


def test_the_unreadable_deck_is_not_run_and_the_reason_is_said(workspace, tmp_path) -> None:
    job, deck = workspace / "config/jobs/first.toml", workspace / "examples/week-25.txt"
    with pytest.raises(UnreadableDeckError, match="is in UTF-16"):
        run_job(job, [deck], tmp_path / "run", workers=1)
    # the same cards in plain text are good
    plain = tmp_path / "week-25.txt"
    plain.write_bytes(deck.read_text("utf-16").encode("ascii"))
    assert run_job(job, [plain], tmp_path / "run", workers=1).delivered == 4


def test_the_words_for_people_name_the_folders_that_there_are(workspace) -> None:
    words = (workspace / "README.txt").read_text("utf-8")
    named = set(re.findall(r"\b([a-z]+)/", words))
    own = {name.partition("/")[0] for name in FOLDERS} | {"first", "out", "name"}
    assert named <= own
    assert own - named == {"config", "tmp"}
    for text in (words, (workspace / "EXAMPLES.txt").read_text("utf-8")):
        assert all(len(line) <= 78 for line in text.splitlines())


# ---- the command


def test_the_command_makes_a_workspace_and_says_what_to_do_next(tmp_path, shop) -> None:
    root = tmp_path / "place"
    said = shop.say("init", root, "--example")
    assert (said.code, said.err) == (0, "")
    lines = said.out.splitlines()
    assert f"start the service: deckwright watch {root}" in lines
    assert str(root / "examples" / "week-24.txt") in lines
    again = shop.say("init", root, "--example")
    assert (again.code, again.out) == (0, f"{root} is a workspace; nothing was missing\n")


def test_the_command_refuses_another_folder_in_one_sentence(tmp_path, shop) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    said = shop.say("init", tmp_path)
    assert said.code == 73
    assert said.err == (
        f"deckwright: {tmp_path}: is not empty and no workspace; name a new or an empty folder\n"
    )
