"""What lies in the inbox and is no deck, whatever its name: left, and listed."""

from __future__ import annotations

import hashlib
import os
import random
import socket
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import Found, Route, open_deck
from service.inbox_kit import CARDS, SETTLE, Box, make_full_folder, make_link, unreadable

# ---- what lies in the wrong place


def make_dangling_link(path: Path) -> None:
    path.symlink_to("nowhere")


def make_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fspath(path))


def make_device(path: Path) -> None:
    try:
        os.mknod(path, 0o20600, os.makedev(1, 3))
    except PermissionError:
        pytest.skip("only root may make a device")


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (make_link, "symbolic link"),
        (make_dangling_link, "symbolic link"),
        (os.mkfifo, "pipe"),
        (make_socket, "socket"),
        (make_device, "device"),
        (make_full_folder, "folder"),
    ],
)
@pytest.mark.parametrize("place", ["box/odd", "odd"])
def test_what_is_no_file_is_left_and_listed_once_and_the_deck_beside_it_is_taken(
    box, make, why, place
):
    box.put("deck")
    make(box.root / place)
    for _ in range(3):
        assert set(box.look(SETTLE)) <= {"deck"}
        if place == "box/odd":
            assert list(box.strays()) == [place]
            assert why in box.strays()[place]
        else:
            assert len(box.strays()) == box.inbox.strays_in_all == 1
    assert box.look() == ["deck"]
    assert os.path.lexists(box.root / place)
    assert box.inbox.waiting == 1


def test_a_folder_of_a_job_that_is_a_link_is_not_followed(box, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "deck").write_bytes(b"X")
    box.folder.rmdir()
    box.folder.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    assert box.settle() == []
    assert "links are not followed" in box.strays()["box"]
    box.folder.unlink()
    box.folder.mkdir()
    box.put("deck")
    assert box.settle() == ["deck"]
    assert box.strays() == {}


def test_a_deck_that_no_job_takes_stays_and_is_listed_with_the_reason(make_box):
    box = make_box(Route("job", ("*.txt",), None, require_marker=False))
    box.put("deck.txt")
    box.put("deck.csv")
    (box.root / "loose").write_bytes(b"X")
    (box.root / "other").mkdir()
    (box.root / "other" / "deck.txt").write_bytes(b"X")
    (box.root / "other" / ".deck.txt").write_bytes(b"X")
    assert box.settle() == ["deck.txt"]
    assert box.strays() == {
        "box/deck.csv": "has a name that no job of this folder takes",
        "loose": "lies in no job's folder; there are: box",
        "other/deck.txt": "lies in a folder that is no job's",
    }
    assert box.inbox.waiting == 1


def test_jobs_that_share_a_folder_take_what_fits_them_first_come_first(make_box):
    box = make_box(
        Route("rain", ("rain*",), None, require_marker=False),
        Route("rest", ("*.txt",), None, require_marker=False),
    )
    for name in ("rain.txt", "sun.txt", "rain.csv"):
        box.put(name)
    box.settle()
    jobs = {found.name: box.inbox.job_of(found) for found in box.inbox.ready()}
    assert jobs == {b"rain.txt": "rain", b"sun.txt": "rest", b"rain.csv": "rain"}
    assert box.inbox.waiting_of == {"rain": 2, "rest": 1}
    for when, name in enumerate(["rain.csv", "sun.txt", "rain.txt"]):
        os.utime(box.folder / name, (when, when))
    assert box.settle() == ["rain.csv", "sun.txt", "rain.txt"], "oldest first, whosever they are"
    stranger = Found("box", b"sun.csv", box.folder, box.inbox.ready()[0].stamp, None)
    assert box.inbox.job_of(stranger) is None


@pytest.mark.parametrize(
    "name", [".deck", "~deck", "deck~", "deck.part", "deck.tmp", "deck.swp", "deck.ok", "a.sha256"]
)
def test_names_of_half_copied_files_are_passed_over(box, name):
    box.put(name)
    box.put("deck.partly")
    assert box.settle() == ["deck.partly"]
    assert box.inbox.waiting == 1
    assert box.strays() == {}


def test_a_file_that_may_not_be_read_stays_and_is_listed_and_others_go_on(box, monkeypatch):
    unreadable(monkeypatch, "closed")
    box.put("closed").chmod(0o200)
    box.put("open")
    assert box.settle() == ["open"]
    assert box.strays() == {"box/closed": "may not be read by the service"}
    assert box.inbox.waiting == 2
    (box.folder / "closed").chmod(0o644)
    assert set(box.settle()) == {"closed", "open"}
    assert box.strays() == {}


def test_an_inbox_that_is_missing_or_no_folder_is_a_stray_and_comes_back(box):
    box.put("deck")
    away = box.root.with_name("away")
    box.root.rename(away)
    assert box.settle() == []
    assert box.strays() == {".": "the inbox is missing"}
    assert box.inbox.waiting == 0
    box.root.write_bytes(b"X")
    assert box.settle() == []
    assert box.strays()["."].startswith("the inbox is none")
    box.root.unlink()
    away.rename(box.root)
    assert box.settle() == ["deck"]
    assert box.strays() == {}


def test_a_folder_that_is_missing_or_cannot_be_read_is_a_stray_and_others_go_on(
    tmp_path, monkeypatch
):
    box = Box(tmp_path)
    box.put("deck")
    route = Route("other", (), None, require_marker=False)
    box.inbox = Inbox(
        box.root, box.spec, {"away": [route], "shut": [route], "box": [CARDS]}, box.clock
    )
    (box.root / "shut").mkdir()
    opens = os.open

    def refuse(path: Any, *given: Any, **named: Any) -> int:
        if path == "shut":
            raise PermissionError(13, "Permission denied")
        return opens(path, *given, **named)

    monkeypatch.setattr(os, "open", refuse)
    assert box.settle() == ["deck"]
    assert box.strays() == {
        "away": "the folder is missing",
        "shut": "the folder cannot be read: Permission denied",
    }


def test_a_file_whose_status_cannot_be_read_is_listed_and_others_go_on(box, monkeypatch):
    box.put("bad")
    box.put("good")
    asks = os.stat

    def fail(path: Any, **more: Any) -> os.stat_result:
        if path == "bad":
            raise OSError(5, "Input/output error")
        return asks(path, **more)

    monkeypatch.setattr(os, "stat", fail)
    assert box.settle() == ["good"]
    assert box.strays() == {"box/bad": "it cannot be read: Input/output error"}


def test_a_file_that_goes_away_while_it_is_looked_at_is_no_stray(box, monkeypatch):
    for name in ("box/gone", "gone"):
        (box.root / name).write_bytes(b"X")
    asks = os.stat

    def go(path: Any, **more: Any) -> os.stat_result:
        if path == "gone":
            raise FileNotFoundError(2, "No such file or directory")
        return asks(path, **more)

    monkeypatch.setattr(os, "stat", go)
    assert box.settle() == []
    assert box.strays() == {}


# ---- names


def odd_names() -> list[bytes]:
    """Return 300 names that a file may have, most of them unkind; none is passed over."""
    kind = random.Random(7)  # noqa: S311 # the same every time
    names = [
        b"two\nlines", b"\x1b[31mred", b"bell\x07", b"\xff\xfe", b"n" * 255, "ü".encode() * 127,
        b"-rf", b"--help", b"..deck"[1:].replace(b".", b"_"), b"...x".replace(b".", b"\\"), b"*",
        b"?", b"[a-z]", b"{a,b}", b"$HOME", b"`id`", b"a;b", b"a|b", b"a b", b" ", b"\t", b"\r",
        b"'", b'"', b"\\", b"%s", b"%00", b"a\\nb", b"CON", b"nul", b"deck", b"d\xd0\xb5ck",
        "\u202egpj.txt".encode(), "zero\u200bwidth".encode(), b"\xc3", b"\xed\xa0\x80", b"#", b"!",
    ]  # fmt: skip
    for word in ("café", "Å", "ñandú", "한글", "Größe"):
        names += [unicodedata.normalize(form, word).encode() for form in ("NFC", "NFD")]
    letters = [byte for byte in range(1, 256) if byte not in b"/.~"]
    while len(names) < 300:
        names.append(bytes(kind.choices(letters, k=kind.randint(1, 255))))
    return names


def test_300_odd_names_are_all_found_byte_for_byte_and_shown_on_one_plain_line(box):
    names = odd_names()
    assert len(set(names)) == 300
    for name in names:
        box.put(name, hashlib.sha256(name).digest())
    box.settle()
    found = {each.name: each for each in box.inbox.ready()}
    assert set(found) == set(names)
    for name, each in found.items():
        descriptor = open_deck(each, box.spec)
        assert os.read(descriptor, 99) == hashlib.sha256(name).digest()
        os.close(descriptor)
        assert os.fsencode(each.path.name) == name


def test_odd_names_of_strays_are_shown_on_one_plain_line(make_box):
    box = make_box(Route("job", ("none",), None, require_marker=False))
    for name in odd_names():
        box.put(name)
    box.settle()
    assert len(box.inbox.strays) == box.inbox.strays_in_all == 300
    assert all(stray.place.isprintable() for stray in box.inbox.strays)
    assert len(box.strays()) == 300, "no two are shown alike"


@given(st.binary(min_size=1, max_size=255).filter(lambda name: not set(name) & set(b"/\0")))
def test_any_name_that_the_system_allows_is_found_or_passed_over_by_its_pattern(room, name):
    if name in {b".", b".."}:
        return
    box = Box(room(), ignore=[".*"])
    box.put(name)
    assert [os.fsencode(each) for each in box.settle()] == [name] * (not name.startswith(b"."))


def test_the_name_of_a_folder_may_be_odd_as_well(tmp_path):
    box = Box(tmp_path, folder="\udcff\n*")
    box.put("deck")
    assert box.settle() == ["deck"]
    [found] = box.inbox.ready()
    assert found.folder == "\udcff\n*"
    os.close(open_deck(found, box.spec))
