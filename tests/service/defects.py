"""Services that are made wrong on purpose: a harness that finds nothing in them finds nothing."""

# ruff: noqa: SLF001 # what is made wrong is inside

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from deckwright.service.store.masters import CURRENT, Lanes
from deckwright.service.store.records import Claim
from deckwright.service.store.spool import Spool
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import CLAIM, DECK


def claim_after_the_deck() -> None:
    """Take the deck first and write the claim beside it afterwards."""
    claims: dict[Path, Claim] = {}
    sync = Spool.sync

    def make_folder_only(self: Spool, home: Path, claim: Claim) -> None:
        self.fs.make_folder(home)
        claims[home] = claim

    def sync_with_claim(self: Spool, *folders: Path) -> None:
        if folders[0] in claims and (folders[0] / DECK).exists():
            self.fs.write_new(folders[0] / CLAIM, claims.pop(folders[0]).to_bytes())
        sync(self, *folders)

    Spool._write_claim = make_folder_only
    Spool.sync = sync_with_claim


def record_after_the_move() -> None:
    """Move the folder first and write manifest or reasons into it afterwards."""
    records: dict[str, tuple[str, bytes]] = {}
    write, move = Spool._write_record, Spool._move

    def keep(self: Spool, home: Path, name: str, data: bytes) -> None:
        records[home.name] = name, data

    def move_then_write(self: Spool, home: Path, target: Path) -> None:
        move(self, home, target)
        if home.name in records:
            write(self, target / home.name, *records.pop(home.name))

    Spool._write_record = keep
    Spool._move = move_then_write


def master_in_place() -> None:
    """Take the old master away before the next one stands."""

    def put(self: Lanes, lane: str, source: Path, sha256: str | None, number: int | None) -> None:
        if self.current(lane).exists():
            self.fs.unlink(self.current(lane))
        self.fs.copy_new(source, self.workspace.master / lane / CURRENT)

    Lanes._put = put


def two_steps_into_work() -> None:
    """Give the deck a second name and remove the first, in place of one rename."""
    rename = Fs.rename_new

    def link_and_unlink(self: Fs, source: Path, target: Path) -> None:
        if target.name != DECK:
            rename(self, source, target)
            return
        target.hardlink_to(source)
        self.unlink(source)

    Fs.rename_new = link_and_unlink


DEFECTS: dict[str, tuple[Callable[[], None], str]] = {
    "claim after the deck": (claim_after_the_deck, "plain"),
    "manifest after the move": (record_after_the_move, "plain"),
    "reasons after the move": (record_after_the_move, "returned"),
    "master in place": (master_in_place, "master"),
    "two steps into work": (two_steps_into_work, "plain"),
}
"""Defects, each with a story in which it shows."""
