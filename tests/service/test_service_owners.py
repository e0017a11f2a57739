"""Decks of other users: taken where their folder allows it, left and listed where it does not."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.house import House, cards_of, house, run_of

NOBODY = 65534
ROOT = os.geteuid() == 0
"""Only then can decks be given to somebody else; else they are one's own, with the same modes."""


@pytest.fixture(scope="module")
def plain() -> Iterator[House]:
    """Give a house whose service has no rights but those that modes and owners of files give."""
    with house() as made:
        made.plain = True
        made.job("sticky")
        with made.serving():
            yield made
        made.check(ended=True)


def give(made: House, name: str, data: bytes, mode: int, job: str = "cards") -> str:
    """Lay a deck of somebody else into the inbox; return its run."""
    path = made.root / "inbox" / job / f".{name}"
    path.write_bytes(data)
    path.chmod(mode)
    to_nobody(path)
    path.rename(path.with_name(name))
    made.dropped.append((name, data))
    return run_of(name, data)


def to_nobody(path: Path) -> None:
    if ROOT:
        os.chown(path, NOBODY, NOBODY)


def test_a_deck_of_another_user_that_may_be_read_is_run_and_keeps_owner_and_mode(plain) -> None:
    run = give(plain, "open.txt", cards_of(1), 0o644)
    status = (plain.done(run) / "deck").stat()
    assert stat.S_IMODE(status.st_mode) == 0o644
    assert status.st_uid == (NOBODY if ROOT else os.geteuid())
    assert (plain.root / "done" / run / "deck").read_bytes() == cards_of(1)


def test_a_deck_of_another_user_that_may_not_be_read_stays_until_it_may(plain) -> None:
    run = give(plain, "closed.txt", cards_of(2), 0o600 if ROOT else 0o200)
    plain.told("stray_seen", place="cards/closed.txt", why="may not be read by the service")
    plain.done(give(plain, "beside.txt", cards_of(3), 0o644))
    assert plain.state(run) == ""
    (plain.root / "inbox" / "cards" / "closed.txt").chmod(0o644)
    plain.done(run)


def test_from_a_folder_in_which_only_owners_may_move_a_deck_it_is_taken_later(plain) -> None:
    """The sticky bit; what is one's own may be moved in spite of it."""
    folder = plain.root / "inbox" / "sticky"
    to_nobody(folder)
    folder.chmod(0o1777)
    run = give(plain, "stuck.txt", cards_of(4), 0o644, "sticky")
    if ROOT:
        why = "cannot be taken: operation not permitted"
        plain.told("stray_seen", place="sticky/stuck.txt", why=why)
        plain.done(give(plain, "other.txt", cards_of(5), 0o644))
        assert (folder / "stuck.txt").read_bytes() == cards_of(4)
        folder.chmod(0o777)
    plain.done(run)


@pytest.mark.slow
def test_a_deck_that_another_user_still_writes_is_never_done_by_half(plain) -> None:
    """The system gives no lease on the file of another user, so that bytes can come too late."""
    first, rest = cards_of(6), cards_of(7)
    path = plain.root / "inbox" / "cards" / "slow.txt"
    with path.open("wb", buffering=0) as file:
        to_nobody(path)
        path.chmod(0o644)
        file.write(first)
        if ROOT:
            plain.done(run_of("slow.txt", first))
        file.write(rest)
    plain.dropped.append(("slow.txt", (first, first + rest) if ROOT else first + rest))
    plain.done(run_of("slow.txt", first + rest))
