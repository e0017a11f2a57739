"""The observer that appends a line to a file."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from deckwright.jobs.service import ServiceSpec
from deckwright.service.outward.notices import Notices
from deckwright.service.system.places import Workspace
from deckwright_plugins.notices.append_line import AppendLine, AppendLineConfig, append
from service.notice_events import DONE, EVENTS

# ---- append-line

TEXTS = st.text(max_size=40)
CALLS = st.one_of(
    st.tuples(st.just("deck_done"), st.fixed_dictionaries({
        "run": TEXTS, "job": TEXTS, "deck": TEXTS, "folder": TEXTS,
        "counts": st.dictionaries(TEXTS, st.integers(0, 10**9), max_size=3),
    })),
    st.tuples(st.just("deck_returned"), st.fixed_dictionaries(
        {"run": TEXTS, "job": TEXTS, "deck": TEXTS, "code": TEXTS, "folder": TEXTS})),
    st.tuples(st.just("deck_held"), st.fixed_dictionaries(
        {"run": TEXTS, "job": TEXTS, "deck": TEXTS, "why": TEXTS})),
    st.tuples(st.just("job_held"), st.fixed_dictionaries({"job": TEXTS, "why": TEXTS})),
)  # fmt: skip


def appending(folder: Path, **options: str) -> AppendLine:
    return AppendLine(AppendLineConfig.model_validate({"file": "lines", **options}), folder)


@settings(deadline=None)
@given(st.lists(CALLS, max_size=4))
def test_each_event_is_one_line_whatever_its_facts_hold(room, calls) -> None:
    folder = room()
    for event, facts in calls:
        getattr(appending(folder), event)(**facts)
        getattr(appending(folder, file="lines.json", form="json"), event)(**facts)
    if not calls:
        assert list(folder.iterdir()) == []
        return
    lines = (folder / "lines").read_bytes().decode("utf-8").split("\n")
    assert len(lines) == len(calls) + 1
    assert all(line.isprintable() for line in lines)
    read = [json.loads(line) for line in (folder / "lines.json").read_bytes().splitlines()]
    assert [{k: v for k, v in each.items() if k != "time"} for each in read] == [
        {"event": event, **facts} for event, facts in calls
    ]


def test_the_lines_say_what_happened(tmp_path) -> None:
    for event in EVENTS:
        facts = {key: value for key, value in event.items() if key != "event"}
        getattr(appending(tmp_path), str(event["event"]))(**facts)
    lines = (tmp_path / "lines").read_text("utf-8").splitlines()
    assert [line.partition("Z ")[2] for line in lines] == [
        "first: week 23.txt is done: in 12, out 12; /srv/x/done/y",
        "first: d came back (empty); the reasons are in f",
        "first: d is held: w",
        "first is held: w",
    ]
    assert (tmp_path / "lines").stat().st_mode & 0o137 == 0


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "../x", "/etc/x", "a/../../x", "inbox/first/x", "work/x", "done/x", "ledger.db",
     "ledger.db-wal", "lock", "control/x", "config/service.toml", "a\nb", "tmp", "./done/x"],
)  # fmt: skip
def test_a_file_outside_or_of_the_service_itself_is_refused(name) -> None:
    with pytest.raises(ValidationError, match="should"):
        AppendLineConfig(file=name)


@pytest.mark.parametrize("name", ["notices.log", "lists/notices.log", "inbox.log", "Ärger.log"])
def test_other_files_inside_are_taken(name, tmp_path) -> None:
    (tmp_path / "lists").mkdir()
    append(tmp_path, AppendLineConfig(file=name).file, "one")
    append(tmp_path, name, "two")
    assert (tmp_path / name).read_text("utf-8") == "one\ntwo\n"


def test_links_are_not_followed_out_of_the_workspace(tmp_path) -> None:
    outside, inside = tmp_path / "outside", tmp_path / "inside"
    outside.mkdir()
    inside.mkdir()
    (outside / "x").write_text("", encoding="utf-8")
    (inside / "folder").symlink_to(outside)
    (inside / "file").symlink_to(outside / "x")
    os.mkfifo(inside / "pipe")
    (inside / "place").mkdir()
    for name in ("folder/y", "file", "pipe", "place", "missing/x"):
        with pytest.raises(OSError, match=r".") as caught:
            append(inside, name, "line")
        assert caught.value.strerror
    assert (outside / "x").read_bytes() == b""
    assert sorted(path.name for path in outside.iterdir()) == ["x"]


def test_a_line_that_was_cut_off_stays_apart_from_the_next(tmp_path) -> None:
    (tmp_path / "lines").write_bytes(b"whole\ncut o")
    append(tmp_path, "lines", "next")
    assert (tmp_path / "lines").read_bytes() == b"whole\ncut o\nnext\n"


def test_append_line_is_installed_and_works_as_the_program_starts_it(tmp_path) -> None:
    spec = ServiceSpec.model_validate(
        {"notice": [{"kind": "append-line", "options": {"file": "notices.log"}}]}
    )
    notices = Notices(spec, Workspace(tmp_path))
    notices.tell(DONE)
    assert notices.close(60) == []
    assert "week 23.txt is done" in (tmp_path / "notices.log").read_text("utf-8")
