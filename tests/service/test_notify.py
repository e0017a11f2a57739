"""The service manager hears what it must, and nobody is harmed who does not listen."""

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typing_extensions import override

from deckwright.service.system.clock import Clock
from deckwright.service.system.notify import Notifier, watchdog_seconds


class Still(Clock):
    """Time that stands."""

    @override
    def steady(self) -> float:
        return 12.5


class Manager:
    """A service manager that listens at an address."""

    def __init__(self, address: str, name: str) -> None:
        self.given = {"NOTIFY_SOCKET": name}
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.settimeout(10)

    def heard(self) -> list[str]:
        return self.socket.recv(65_536).decode("utf-8").split("\n")


@pytest.fixture(params=["path", "abstract"])
def manager(request, tmp_path_factory) -> Iterator[Manager]:
    if request.param == "path":
        # such an address is at most 107 bytes long
        path = f"/tmp/{secrets.token_hex(8)}.sock"  # noqa: S108 # not a name to guess
        found = Manager(path, path)
    else:
        name = secrets.token_hex(16)
        found = Manager(f"\0{name}", f"@{name}")
    with found.socket:
        yield found
    if request.param == "path":
        Path(path).unlink()


def test_each_message_is_one_datagram_of_the_protocol(manager) -> None:
    notifier = Notifier(manager.given, Still())
    assert notifier.ready()
    assert manager.heard() == ["READY=1"]
    assert notifier.ready("2 jobs")
    assert manager.heard() == ["READY=1", "STATUS=2 jobs"]
    assert notifier.alive("1 running")
    assert manager.heard() == ["WATCHDOG=1", "STATUS=1 running"]
    assert notifier.reloading()
    assert manager.heard() == ["RELOADING=1", "MONOTONIC_USEC=12500000"]
    assert notifier.stopping()
    assert manager.heard() == ["STOPPING=1"]


@settings(deadline=None)
@given(st.text(max_size=2000))
def test_a_status_stays_one_line_whatever_it_holds(text) -> None:
    name = secrets.token_hex(16)
    manager = Manager(f"\0{name}", f"@{name}")
    with manager.socket:
        assert Notifier(manager.given).alive(text)
        lines = manager.heard()
    assert lines[0] == "WATCHDOG=1"
    assert len(lines) == (2 if text else 1)
    assert all(line.isprintable() for line in lines)


def test_the_address_is_taken_from_the_environment(manager, monkeypatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", manager.given["NOTIFY_SOCKET"])
    assert Notifier().ready()
    assert manager.heard() == ["READY=1"]
    monkeypatch.delenv("NOTIFY_SOCKET")
    assert not Notifier().ready()


@pytest.mark.parametrize(
    "address",
    ["", "@", "/", "relative/path", "/nowhere/at/all", "/" + "x" * 5000, "vsock:2:1234", "@a\0b",
     "/a\0b", "\udcff"],
)  # fmt: skip
def test_an_address_at_which_nobody_listens_is_no_fault(address) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": address})
    for send in (notifier.ready, notifier.alive, notifier.reloading, notifier.stopping):
        assert send() is False


def test_a_manager_that_does_not_read_is_not_waited_for() -> None:
    name = secrets.token_hex(16)
    manager = Manager(f"\0{name}", f"@{name}")
    with manager.socket:
        notifier = Notifier(manager.given)
        # a blocking send would stop here for good, and the test with it
        assert not all([notifier.alive("x" * 400) for _ in range(5000)])  # noqa: C419 # all of them


def test_a_manager_that_has_gone_is_no_fault() -> None:
    name = secrets.token_hex(16)
    manager = Manager(f"\0{name}", f"@{name}")
    notifier = Notifier(manager.given)
    manager.socket.close()
    assert notifier.alive() is False


def test_no_descriptor_stays_open(manager) -> None:
    notifier = Notifier(manager.given)
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 # names are enough
    for _ in range(3):
        notifier.alive()
        Notifier({"NOTIFY_SOCKET": "/nowhere"}).alive()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208 # names are enough


# ---- the watchdog


@settings(deadline=None)
@given(st.integers(1, 2**63))
def test_the_watchdog_time_is_read_in_seconds(micros) -> None:
    given = {"WATCHDOG_USEC": str(micros), "WATCHDOG_PID": str(os.getpid())}
    assert watchdog_seconds(given) == micros / 1_000_000
    assert watchdog_seconds({"WATCHDOG_USEC": str(micros)}) == micros / 1_000_000


@settings(deadline=None)
@given(st.text(max_size=30).filter(lambda text: not (text.isascii() and text.isdigit())))
def test_a_time_that_is_no_number_means_no_watchdog(text) -> None:
    assert watchdog_seconds({"WATCHDOG_USEC": text}) is None


def test_the_watchdog_of_another_process_is_not_ours() -> None:
    other = {"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid() + 1)}
    assert watchdog_seconds(other) is None
    assert watchdog_seconds({"WATCHDOG_USEC": "0"}) is None
    assert watchdog_seconds({}) is None


def test_the_watchdog_time_is_taken_from_the_environment(monkeypatch) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "60000000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    assert watchdog_seconds() == 60
