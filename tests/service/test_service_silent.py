"""A service that hangs is seen to hang: it tells neither its manager nor anybody else anything."""

from __future__ import annotations

import json
import socket
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service import house as houses
from service.house import House, cards_of, house

HANGING = str(Path(__file__).with_name("hanging.py"))


def set_back(made: House, seconds: float) -> None:
    """Let what the service told last be so much older."""
    path = made.workspace.control / "state.json"
    told = json.loads(path.read_text())
    at = datetime.fromisoformat(told["at"]) - timedelta(seconds=seconds)
    path.write_text(json.dumps({**told, "at": at.isoformat()}))


def silence(made: House) -> list[str]:
    """Return what the status says of the silence of the service."""
    return [each for each in made.status()["health"] if "has told nothing of itself for" in each]


@pytest.mark.slow
def test_a_share_that_does_not_answer_holds_up_the_service_which_says_so_and_goes_on_later(
    monkeypatch,
) -> None:
    with house() as made, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        share = made.root.parent / "share"
        share.mkdir()
        manager.bind(str(made.root.parent / "notify"))
        manager.settimeout(0)
        made.env = {"NOTIFY_SOCKET": str(made.root.parent / "notify")}
        made.settings(f'[jobs.cards]\nfetch = "{share}"\n', scan_s=0.1)
        monkeypatch.setattr(houses, "COMMAND", [sys.executable, HANGING, str(share)])
        with made.serving():
            made.wait((made.workspace.control / "state.json").exists, "the first state")
            share.with_suffix(".hang").touch()
            made.wait(share.with_suffix(".hangs").exists, "a look that hangs")
            drain(manager)
            run = made.drop("waits.txt", cards_of(1))
            set_back(made, 30)
            assert silence(made) == []
            set_back(made, 60)
            (said,) = silence(made)
            assert "a disk or a share may not answer" in said
            assert drain(manager) == b""
            assert made.state(run) == ""
            share.with_suffix(".hang").unlink()
            made.done(run)
            made.wait(lambda: not silence(made), "a word from the service")
            made.wait(lambda: b"WATCHDOG=1" in drain(manager), "a sign of life")


def drain(manager: socket.socket) -> bytes:
    """Return all that was sent to a service manager since it was asked last."""
    found = b""
    while True:
        try:
            found += manager.recv(4096)
        except BlockingIOError:
            return found
