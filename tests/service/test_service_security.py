"""Hostile, odd and oversized input: each gets its answer, and its harmless twin still passes.

What is tried where; in this file unless another one is named:

| input | answer | other files |
|---|---|---|
| a symbolic link, a pipe, a socket, a device, a folder | stays, is listed once | test_inbox |
| a file that is swapped between look and taking | not taken | test_settling |
| a second name for somebody else's file | comes back | only test_service_elsewhere |
| a name with slashes, `..`, 255 bytes, a leading `-` | in no path | only test_service_names |
| a name with line ends, escapes, bad UTF-8 | kept, shown escaped | only test_service_names |
| the same on a card | in outputs only | only test_service_canary, test_service_log |
| personal data on cards | in no log, ledger or status | only test_service_canary |
| a wrong value in a record | not repeated | only test_service_forged |
| a secret in the config | in no log, no kept config | only test_service_canary |
| a cell that a table program would reckon with | exact and quoted | engine/test_emit |
| a name of a field or a table that means something in SQL | refused, or quoted | |
| a path or a pattern where a reader would open it | refused, or no such file | |
| a picture | | those of the medium that reads pictures |
| a compressed or packed file | not unpacked unless the job says so | |
| markup, pickled objects | read nowhere | |
| a file that is huge, empty, one line, all zeros | one reason | test_service_elsewhere |
| very many names | bounded memory, oldest first | only test_inbox |
| a disk that others fill | nothing is taken, nothing deleted | |
| a plugin that no job names, a planted module | not loaded | plugins/test_distributions |
| a plugin that does harm by mistake | ends its own run | only test_pool, test_compile |
| a plugin that wants network or files | kept in by the unit | only test_unit |
| an unknown or doubled key | refused with file and line | test_service_config |
| a pattern that takes for ever | does not | |
| a forged claim, manifest, request or message | refused | only test_service_forged, test_pool |
| a byte changed among ended runs | found | only test_service_operate, test_flipped_bytes |
| a number beyond all bounds | refused | test_service_forged |
"""

from __future__ import annotations

import csv
import gzip
import os
import socket
import sqlite3
import stat
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from typing_extensions import override

from deckwright.service.store.spool import Arrival, NotTakenError
from deckwright.service.system.fs import Fs
from service.house import House, card, cards_of, deck, house
from service.kit import CARDS, Rig, drop, quick_room

MIB = 1 << 20


@pytest.fixture(scope="module")
def served() -> Iterator[House]:
    """Give a house that is served, with a limit of the size of decks."""
    with house() as made:
        # some of the decks end inside a line, and get this time to grow
        made.settings(limits={"deck": "1 MiB"}, stall_s=3)
        with made.serving():
            yield made


def goes_on(made: House, name: str) -> None:
    """Fail unless the service takes and runs a harmless deck."""
    made.done(made.drop(f"harmless-{name}", deck(card(1, note=name))))


# ---- what is no file


def a_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(path))


def a_folder(path: Path) -> None:
    path.mkdir()
    (path / "deck.txt").write_bytes(cards_of(1))


def a_device(path: Path) -> None:
    try:
        os.mknod(path, stat.S_IFCHR | 0o600, os.makedev(1, 5))  # endless zeros
    except PermissionError:
        os.mkfifo(path)  # the nearest that this user may make


NO_FILES: dict[str, Callable[[Path], object]] = {
    "link": lambda path: path.symlink_to(path.parents[2] / "outside.txt"),
    "link-to-folder": lambda path: path.symlink_to(path.parents[2]),
    "link-to-nothing": lambda path: path.symlink_to(path.parents[2] / "nothing"),
    "link-to-itself": lambda path: path.symlink_to(path),
    "pipe": os.mkfifo,
    "socket": a_socket,
    "device": a_device,
    "folder": a_folder,
}


def test_what_is_no_file_stays_where_it_is_and_is_listed_once(served) -> None:
    outside = served.root / "outside.txt"
    outside.write_bytes(cards_of(77))
    inbox = served.root / "inbox" / "cards"
    seen = {}
    for kind, make in NO_FILES.items():
        make(inbox / kind)
        seen[kind] = os.lstat(inbox / kind)
    for kind in NO_FILES:
        served.told("stray_seen", place=f"cards/{kind}")
    for name in ("beside", "after"):
        goes_on(served, name)
    for kind in NO_FILES:
        assert len(served.events("stray_seen", place=f"cards/{kind}")) == 1
        now = os.lstat(inbox / kind)
        assert (now.st_ino, now.st_mode) == (seen[kind].st_ino, seen[kind].st_mode)
    assert not {each["deck"] for each in served.events("deck_taken")} & {*NO_FILES}
    assert outside.read_bytes() == cards_of(77)
    (inbox / "folder" / "deck.txt").unlink()
    (inbox / "folder").rmdir()
    for kind in NO_FILES.keys() - {"folder"}:
        (inbox / kind).unlink()


def test_a_folder_of_a_job_that_is_a_link_is_not_looked_into(served) -> None:
    outside = served.root.parent / "elsewhere"
    outside.mkdir()
    (outside / "deck.txt").write_bytes(cards_of(78))
    (served.root / "inbox" / "linked").symlink_to(outside)
    served.told("stray_seen", place="linked")
    goes_on(served, "linked")
    assert (outside / "deck.txt").read_bytes() == cards_of(78)


# ---- what is swapped


class Swapping(Fs):
    """Puts another file in the place of the deck in the last moment."""

    def __init__(self, other: Callable[[Path], object] | None) -> None:
        self.other = other

    @override
    def rename_new(self, source: Path, target: Path) -> None:
        if target.name == "deck" and self.other is not None:
            other, self.other = self.other, None
            source.rename(source.with_name(".away"))
            other(source)
        super().rename_new(source, target)


def _write_other(path: Path) -> None:
    path.write_bytes(b"another\n")


@pytest.mark.parametrize(
    "other", [_write_other, lambda path: path.symlink_to("/etc/hostname"), os.mkfifo, None]
)
def test_what_is_swapped_in_the_moment_of_taking_is_not_taken(other) -> None:
    with quick_room() as room:
        rig = Rig(room, Swapping(other))
        try:
            rig.start()
            drop(room, "a.deck", b"card\n")
            path = room / "inbox" / CARDS / "a.deck"
            descriptor = os.open(path, os.O_RDONLY)
            arrival = Arrival(CARDS.encode(), b"a.deck", path)
            try:
                if other is None:
                    claim = rig.spool.take(arrival, descriptor, rig.takings[CARDS])
                    assert (room / "work" / claim.run / "deck").read_bytes() == b"card\n"
                    return
                with pytest.raises(NotTakenError):
                    rig.spool.take(arrival, descriptor, rig.takings[CARDS])
            finally:
                os.close(descriptor)
            assert os.path.lexists(path)
            assert list((room / "work").iterdir()) == []
            assert path.with_name(".away").read_bytes() == b"card\n"
        finally:
            rig.close()


# ---- sizes and shapes

SHAPES: dict[str, tuple[bytes, str, str]] = {
    "too large": (b"1" * (MIB + 1), "returned", "too-large"),
    "just small enough": (deck(card(1)) + b"\n" * (MIB - 81), "done", ""),
    "one endless line": (b"1" * (MIB - 1), "returned", "deck-unreadable"),
    "one line of eighty": (deck(card(1)), "done", ""),
    "zeros": (bytes(MIB // 2), "returned", "deck-unreadable"),
    "one zero": (card(2).encode() + b"\0" + b" " * 60 + b"\n", "done", ""),
    "line ends only": (b"\n" * 1000, "", ""),
    "one byte": (b"1", "done", ""),
    "an archive": (b"PK\x05\x06" + bytes(18), "", ""),
    "a program": (b"\x7fELF" + bytes(range(256)) * 20, "", ""),
}


def test_a_deck_of_any_size_and_shape_ends_with_one_answer(served) -> None:
    runs = {shape: served.drop(shape, data) for shape, (data, _, _) in SHAPES.items()}
    for shape, run in runs.items():
        data, place, code = SHAPES[shape]
        home = served.end_of(run)
        assert home.parent.name == place or not place, shape
        assert (home / "deck").read_bytes() == data
        if code:
            assert served.returned(run) == [code]
            assert (home / "reasons.txt").read_text().replace("\n", "").isprintable()
    goes_on(served, "after all shapes")


def bomb() -> bytes:
    """Return 64 MiB of cards, compressed."""
    return gzip.compress(deck(card(1)) * (64 * MIB // 81), 9)


def zipped(path: Path) -> bytes:
    """Return an archive whose members would be written outside of any folder."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("../../../escaped.txt", deck(card(1)) * 1000)
    return path.read_bytes()


ENTITIES = (
    b'<?xml version="1.0"?>\n<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb">'
    + b"".join(b'\n<!ENTITY %c "&%c;&%c;&%c;">' % (c, c - 1, c - 1, c - 1) for c in range(99, 115))
    + b']>\n<a>&r;<b xmlns:x="file:///etc/hostname"/></a>\n'
)


@pytest.mark.parametrize("kind", ["compressed", "packed", "markup"])
def test_what_would_grow_when_it_is_unpacked_is_not_unpacked(kind, served, tmp_path) -> None:
    data = {
        "compressed": bomb(), "packed": zipped(tmp_path / "a.zip"), "markup": ENTITIES
    }[kind]  # fmt: skip
    run = served.drop(kind, data)
    home = served.end_of(run)
    size = sum(path.stat().st_size for path in home.rglob("*") if path.is_file())
    assert size < 20 * len(data) + 4 * MIB
    assert not list(served.root.parent.rglob("escaped.txt"))
    goes_on(served, kind)


# ---- cells, names and paths that mean something elsewhere

CELLS = ["=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", 'a"b', "a,b", "'a", "plain"]


def test_cells_that_a_table_program_would_reckon_with_stay_exact(served) -> None:
    run = served.drop("cells.txt", deck(*(card(n, n, text) for n, text in enumerate(CELLS))))
    path = served.done(run) / "out" / "out" / "cards.csv"
    with path.open(newline="") as file:
        assert [line["note"] for line in csv.DictReader(file)] == CELLS
    assert '"a""b"' in path.read_text()
    assert '"a,b"' in path.read_text()


NAMES = {
    'item"; DROP TABLE cards; --': False, "item.x": False, "1item": False, "": False,
    "select": True, "item_2": True,
}  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_field_has_a_plain_name_or_is_refused_with_file_and_line(name, tmp_path, shop) -> None:
    text = shop.receipts.replace('name = "note"', f"name = {shop.toml(name)}")
    job = shop.job(tmp_path, shop.chain(), {"receipts": text})
    said = shop.say("check", job)
    assert said.code == (0 if NAMES[name] else 2)
    if not NAMES[name]:
        assert "receipts.toml:" in said.err


TEXTS = {
    "item IN (SELECT item FROM read_csv('/etc/passwd'))": False,
    "EXISTS (SELECT * FROM '/etc/passwd')": False,
    "note = (SELECT 1)": False,
    "read_csv('/etc/passwd') IS NULL": False,
    "item = '1'; DROP TABLE cards": False,
    "note = 'SELECT * FROM read_csv(''/etc/passwd'')'": True,
    "item <> '00001'": True,
}


@pytest.mark.parametrize("text", TEXTS)
def test_an_expression_reads_fields_and_nothing_else(text, tmp_path, shop) -> None:
    stages = shop.chain()
    stages[-1]["output"][0]["where"] = text
    said = shop.say("check", shop.job(tmp_path, stages))
    assert said.code == (0 if TEXTS[text] else 2)
    assert "/etc/passwd" not in said.out


def test_a_table_of_any_name_is_read_and_none_is_harmed(tmp_path, shop) -> None:
    path = tmp_path / "masters.sqlite"
    odd = 'we"ird; DROP TABLE kept; --'
    quoted = odd.replace('"', '""')
    with sqlite3.connect(path) as made:
        made.execute(f'CREATE TABLE "{quoted}" (item TEXT, amount TEXT)')
        made.execute(f'INSERT INTO "{quoted}" VALUES (?, ?)', ("00001", "5"))  # noqa: S608
        made.execute("CREATE TABLE kept (item TEXT)")
    made.close()
    before = path.read_bytes()
    master = {"file": "stock", "table": odd}
    merge = {
        "kind": "merge",
        "master": master,
        "match": {"item": "item"},
        "take": {"old": "amount"},
    }
    job = shop.job(tmp_path, shop.chain(merge), files={"stock": path.name})
    outcome = shop.run(job, shop.deck(tmp_path / "deck.txt", [shop.receipt(1)]))
    assert outcome.control["equation"]["out"] == 1
    assert path.read_bytes() == before
    wrong = {**merge, "master": {"file": "stock", "table": "kept'; SELECT 1; --"}}
    said = shop.say("check", shop.job(tmp_path, shop.chain(wrong), name="wrong",
                                      files={"stock": path.name}))  # fmt: skip
    assert said.code != 0


@pytest.mark.parametrize("path", ["*.csv", "stoc?.csv", "{stock,x}.csv", "stock.csv"])
def test_the_path_of_a_master_is_a_path_and_no_pattern(path, tmp_path, shop) -> None:
    (tmp_path / "stock.csv").write_text("item,amount\r\n00001,5\r\n")
    merge = {"kind": "merge", "master": {"file": "stock", "kind": "csv"}, "match": {"item": "item"}}
    job = shop.job(tmp_path, shop.chain(merge), files={"stock": path})
    said = shop.say("run", job, shop.deck(tmp_path / "deck.txt", [shop.receipt(1)]), "--out",
                    tmp_path / "run")  # fmt: skip
    assert (said.code == 0) == (path == "stock.csv"), said.err


# ---- a disk that others fill


@pytest.mark.slow
def test_without_room_nothing_is_taken_or_deleted_and_it_goes_on_by_itself() -> None:
    with house(10, settle_s=2, limits={"min_free": "900000 GiB"}) as made:
        decks = {f"{n}.txt": cards_of(n) for n in range(3)}
        runs = made.drop_all(decks)
        with made.serving():
            told = made.told("intake_paused")["why"]
            assert "921,600,000 MiB are wanted" in told
            made.wait(lambda: any(told in why for why in made.status()["health"]), "the pause")
            assert {path.name for path in (made.root / "inbox" / "cards").iterdir()} == {*decks}
        assert made.check().waiting == 3
        made.settings(settle_s=2)
        made.once()
        assert [made.state(run) for run in runs] == ["done"] * 3


@pytest.mark.slow
def test_a_deck_for_which_there_is_no_room_holds_up_no_other() -> None:
    with house(limits={"deck": "900000 GiB"}) as made:
        status = os.statvfs(made.root)
        huge = made.root / "inbox" / "cards" / "a-huge"
        with huge.open("wb") as file:
            file.truncate(status.f_bavail * status.f_frsize // 2)  # it takes no room yet
        runs = made.drop_all({f"{n}.txt": cards_of(n) for n in range(3)})
        with made.serving():
            for run in runs:
                made.done(run)
            made.wait(lambda: "a-huge" in str(made.status()["strays"]), "the deck in the status")
            assert huge.exists()
            huge.unlink()
