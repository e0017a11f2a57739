"""Telling the service manager how the service is, by the datagrams of sd_notify(3)."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from deckwright.service.system.clock import Clock
from deckwright.service.system.places import shown

_LONGEST_STATUS = 500


class Notifier:
    """Speaks to the service manager that started this process; silent where there is none.

    Nothing here raises, and nothing waits: a manager that does not listen loses the message.
    """

    def __init__(
        self, environment: Mapping[str, str] | None = None, clock: Clock | None = None
    ) -> None:
        """Take the address from `NOTIFY_SOCKET`; an empty one, or none, means silence."""
        given = os.environ if environment is None else environment
        self._address = _address(given.get("NOTIFY_SOCKET", ""))
        self._clock = clock or Clock()

    def ready(self, status: str = "") -> bool:
        """Say that the service has recovered and takes decks; also that a reload has ended."""
        return self._send("READY=1", *_status(status))

    def alive(self, status: str = "") -> bool:
        """Say that all that must work was looked at and works."""
        return self._send("WATCHDOG=1", *_status(status))

    def reloading(self) -> bool:
        """Say that the config is being read again; `ready` ends that."""
        micros = int(self._clock.steady() * 1_000_000)
        return self._send("RELOADING=1", f"MONOTONIC_USEC={micros}")

    def stopping(self, status: str = "") -> bool:
        """Say that the service ends."""
        return self._send("STOPPING=1", *_status(status))

    def _send(self, *lines: str) -> bool:
        """Send one datagram; return whether the manager has it."""
        if not self._address:
            return False
        message = "\n".join(lines).encode("utf-8", "backslashreplace")
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as sender:
                sender.connect(self._address)
                sender.send(message)
        except (OSError, ValueError):
            return False
        return True


def watchdog_seconds(environment: Mapping[str, str] | None = None) -> float | None:
    """Return how long the service manager waits for a sign of life, None where it does not.

    Half of it is a good time between two signs. It is read from `WATCHDOG_USEC`, which counts
    microseconds, and holds only for the process that `WATCHDOG_PID` names.
    """
    given = os.environ if environment is None else environment
    micros = _number(given.get("WATCHDOG_USEC", ""))
    process = given.get("WATCHDOG_PID", "")
    mine = not process or _number(process) == os.getpid()
    return micros / 1_000_000 if micros and mine else None


def _address(text: str) -> str:
    """Return the address of a socket: a path, or a name that is not in the file system."""
    if text.startswith("@"):
        return f"\0{text[1:]}"
    return text if text.startswith("/") else ""


def _status(text: str) -> list[str]:
    return [f"STATUS={shown(text)[:_LONGEST_STATUS]}"] if text else []


def _number(text: str) -> int:
    fits = text.isascii() and text.isdigit() and len(text) <= 20  # noqa: PLR2004 # 64 bits
    return int(text) if fits else 0
