"""A deck is taken as it was hashed, or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from deckwright.service.store import spool
from service.kit import CARDS, Rig


def appended(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"one more\n")


def replaced(path: Path) -> None:
    other = path.with_name("other")
    other.write_bytes(b"another\n")
    other.replace(path)


def touched(path: Path) -> None:
    os.utime(path, ns=(1, 1))


@pytest.mark.parametrize("change", [appended, replaced, touched])
def test_a_deck_that_changes_while_it_is_hashed_stays_where_it_is(
    tmp_path, monkeypatch, change
) -> None:
    rig = Rig(tmp_path / "house")
    rig.start()
    deck = rig.workspace.inbox / CARDS / "deck.txt"
    deck.parent.mkdir(parents=True, exist_ok=True)
    deck.write_bytes(b"a card\n")
    digest_of = spool.digest_of

    def changed_meanwhile(descriptor: int) -> tuple[int, str]:
        found = digest_of(descriptor)
        change(deck)
        return found

    with monkeypatch.context() as patch:
        patch.setattr(spool, "digest_of", changed_meanwhile)
        assert rig.take() == 0
    assert deck.exists()
    assert not list(rig.workspace.work.iterdir())
    assert rig.take() == 1
    rig.close()
