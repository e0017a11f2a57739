"""Telling observers what became of decks, without ever waiting for one.

All observers live in one process of their own. What they do not take in time is dropped and
counted; one that ends or stops that process time and again is no longer called.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from deckwright.jobs.service import ServiceSpec, plugin_files
from deckwright.service.store.records import Amount, BadRecordError, Record, parse
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import Workspace, shown

FACTS = {
    "deck_done": ("run", "job", "deck", "counts", "folder"),
    "deck_returned": ("run", "job", "deck", "code", "folder"),
    "deck_held": ("run", "job", "deck", "why"),
    "job_held": ("job", "why"),
}
"""What observers hear of, and what they are told of it: names and counts, no card contents."""

COMMAND = (sys.executable, "-I", "-m", "deckwright.service.outward.noticing")
PATIENCE_S = 30.0
"""How long an observer may take for one call."""

MOST_WAITING = 1000
"""Events that wait for slow observers; further ones are dropped."""

STRIKES = 3
"""An observer that ends or stops the process so often in a row is no longer called."""

_AHEAD = 50
_LONGEST = 64 << 10
_LONGEST_WAIT_S = 60.0
_WORDS_S = 60.0
_STEP_S = 0.02
_NOT_PASSED_ON = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")


class Answer(Record):
    """What the process says after each call. number: of the event, 0 = an observer was made."""

    number: Amount
    notice: Annotated[int, Field(ge=0, le=10_000)]
    problem: Annotated[str, Field(max_length=500)] = ""


@dataclass(slots=True)
class _Event:
    """An event on its way. first: the observer that is to hear it next."""

    number: int
    event: str
    facts: dict[str, object]
    first: int = 0

    def line(self) -> bytes:
        message = {"number": self.number, "event": self.event, "facts": self.facts,
                   "first": self.first}  # fmt: skip
        return json.dumps(message, default=str).encode("ascii") + b"\n"


class Notices:
    """The observers that a service file names. Nothing here raises or waits, but for `close`."""

    def __init__(
        self,
        spec: ServiceSpec,
        workspace: Workspace,
        clock: Clock | None = None,
        command: Sequence[str] = COMMAND,
        patience_s: float = PATIENCE_S,
    ) -> None:
        """Start the observers' process, if any are named.

        Args:
            spec: names them.
            workspace: what they observe.
            clock: the steady time.
            command: starts the process.
            patience_s: how long an observer may take for one call.
        """
        self._given = [{"kind": each.kind, "options": each.options} for each in spec.notice]
        self._plugins = [str(path) for path in plugin_files(spec, workspace.config)]
        self._workspace, self._clock = workspace, clock or Clock()
        self._command, self._patience_s = list(command), patience_s
        self._waiting: deque[_Event] = deque()
        self._sent: deque[_Event] = deque()
        self._made = 0
        self._numbers = 0
        self._strikes = [0] * len(self._given)
        self._ends = 0
        self._off: dict[int, str] = {}
        self._problems: list[str] = []
        self._dropped = 0
        self._dropped_told_at = float("-inf")
        self._child: _Child | None = None
        self._ended: list[_Child] = []
        self._start_at = self._heard_at = float("-inf")
        self._closing = False
        self._go_on()

    def tell(self, event: Mapping[str, object]) -> None:
        """Take an event for the observers: its name under `event`, its facts, see `FACTS`.

        Events and facts of other names are passed over.
        """
        name = str(event["event"])
        if name not in FACTS or not self._on():
            return
        if len(self._waiting) + len(self._sent) >= MOST_WAITING:
            self._dropped += 1
            return
        self._numbers += 1
        facts = {key: event[key] for key in FACTS[name]}
        self._waiting.append(_Event(self._numbers, name, facts))
        self._go_on()

    def poll(self) -> list[str]:
        """Get on with it; return what went wrong since the last call, a sentence each."""
        self._go_on()
        now = self._clock.steady()
        if self._dropped and now >= self._dropped_told_at + _WORDS_S:
            what = f"{self._dropped:,} events were not told to the notices, which are too slow"
            self._problems.append(what)
            self._dropped, self._dropped_told_at = 0, now
        problems, self._problems = self._problems, []
        return problems

    def faults(self) -> list[str]:
        """Return what stays wrong until the service file is read again: notices that are off."""
        return [f"{self._name(index)} is not called: {why}" for index, why in self._off.items()]

    def descriptors(self) -> list[int]:
        """Return what becomes readable when `poll` has something to do."""
        return [self._child.answers] if self._child else []

    def close(self, seconds: float) -> list[str]:
        """Let the observers hear what waits, for so many seconds; end their process.

        Returns:
            As `poll`.
        """
        for _ in range(max(1, int(seconds / _STEP_S))):
            self._go_on()
            if not (self._on() and (self._waiting or self._sent)):
                break
            select.select(self.descriptors(), [], [], _STEP_S)
        self._closing = True
        left = len(self._waiting) + len(self._sent) + self._dropped
        if left:
            self._problems.append(f"{left:,} events were not told to the notices before the end")
        self._waiting.clear()
        self._sent.clear()
        self._dropped = 0
        if self._child:
            self._child.close_orders()
            self._child.wait(seconds)
            self._end_child()
        for child in self._ended:
            child.wait(seconds)
        problems, self._problems = self._problems, []
        return problems

    # ---- the process

    def _on(self) -> bool:
        return len(self._off) < len(self._given)

    def _name(self, index: int) -> str:
        return f"notice {index + 1} ({self._given[index]['kind']})"

    def _go_on(self) -> None:
        self._ended = [child for child in self._ended if not child.gone()]
        if self._child is None:
            self._start()
        if self._child is not None:
            self._receive(self._child)
        if self._child is not None:
            self._send(self._child)
        if self._child is not None:
            self._lose_patience()

    def _start(self) -> None:
        now = self._clock.steady()
        if self._closing or not self._on() or now < self._start_at:
            return
        first = {
            "parent": os.getpid(),
            "workspace": str(self._workspace.root),
            "plugins": self._plugins,
            "notices": self._given,
            "left_out": sorted(self._off),
        }
        try:
            self._child = _Child(self._command)
        except OSError as error:
            self._start_at = now + _LONGEST_WAIT_S
            self._problems.append(f"the notices could not be started: {error.strerror}")
            return
        self._made, self._heard_at = 0, now
        self._child.outgoing += json.dumps(first, default=str).encode("ascii") + b"\n"

    def _send(self, child: _Child) -> None:
        if self._made == len(self._given):
            if self._waiting and not self._sent:
                self._heard_at = self._clock.steady()
            while self._waiting and len(self._sent) < _AHEAD:
                event = self._waiting.popleft()
                line = event.line()
                if len(line) > _LONGEST:
                    self._problems.append(f"an event {event.event} was too long for the notices")
                    continue
                child.outgoing += line
                self._sent.append(event)
        child.write()  # that it has ended shows in what is read

    def _receive(self, child: _Child) -> None:
        for line in child.lines():
            try:
                answer = parse(Answer, line)
                fits = self._take(answer)
            except BadRecordError:
                fits = False
            if not fits:
                self._struck("said what cannot be")
                return
        if child.over:
            self._struck("ended the process")

    def _take(self, answer: Answer) -> bool:
        """Take an answer; return whether it can be true."""
        if self._made < len(self._given):
            return self._take_made(answer)
        if not self._sent:
            return False
        event = self._sent[0]
        if (answer.number, answer.notice) != (event.number, event.first):
            return False
        if answer.problem:
            what = f"{self._name(answer.notice)} failed on {event.event}: {shown(answer.problem)}"
            self._problems.append(what)
        self._heard_at = self._clock.steady()
        self._strikes[answer.notice] = self._ends = 0
        self._heard(event)
        return True

    def _take_made(self, answer: Answer) -> bool:
        if (answer.number, answer.notice) != (0, self._made):
            return False
        self._heard_at = self._clock.steady()
        if answer.problem:
            self._off[self._made] = shown(answer.problem)
            self._problems.append(self.faults()[-1])
        self._made += 1
        return True

    def _lose_patience(self) -> None:
        busy = self._made < len(self._given) or self._sent
        if busy and self._clock.steady() > self._heard_at + self._patience_s:
            self._struck(f"did not come to an end within {self._patience_s:g} s")

    def _struck(self, what: str) -> None:
        """End the process for the fault of the observer that is called now; go on after it."""
        if self._made < len(self._given):
            self._blame(self._made, what, "while it was made")
        elif self._sent:
            event = self._sent[0]
            self._blame(event.first, what, f"on {event.event}")
            self._heard(event)
        else:
            self._problems.append("the process of the notices ended by itself; it is begun again")
        self._end_child()
        self._ends += 1
        wait = min(2.0 ** min(self._ends, 10) / 2, _LONGEST_WAIT_S)
        self._start_at = self._clock.steady() + wait
        self._waiting.extendleft(reversed(self._sent))
        self._sent.clear()

    def _blame(self, notice: int, what: str, during: str) -> None:
        self._problems.append(f"{self._name(notice)} {what} {during}")
        self._strikes[notice] += 1
        if self._strikes[notice] >= STRIKES:
            self._off[notice] = f"it {what}, {STRIKES} times in a row"
            self._problems.append(self.faults()[-1])

    def _heard(self, event: _Event) -> None:
        """Go on to the next observer of the first event sent, or to the next event."""
        event.first += 1
        if event.first == len(self._given):
            self._sent.popleft()

    def _end_child(self) -> None:
        if self._child is not None:
            self._child.kill()
            if not self._child.gone():
                self._ended.append(self._child)
            self._child = None


class _Child:
    """The process, its pipes, and what was not yet written or read."""

    def __init__(self, command: Sequence[str]) -> None:
        environment = {k: v for k, v in os.environ.items() if k not in _NOT_PASSED_ON}
        self.process = subprocess.Popen(  # noqa: S603 # our own command
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            bufsize=0, cwd="/", env=environment, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdin is not None  # noqa: S101 # asked for
        assert self.process.stdout is not None  # noqa: S101 # asked for
        self.orders, self.answers = self.process.stdin.fileno(), self.process.stdout.fileno()
        os.set_blocking(self.orders, False)
        os.set_blocking(self.answers, False)
        self.outgoing, self.incoming = bytearray(), bytearray()
        self.over = False

    def write(self) -> None:
        """Write what the pipe takes now."""
        # an error means that the process has ended, which shows in what is read
        with contextlib.suppress(OSError):
            while self.outgoing:
                del self.outgoing[: os.write(self.orders, self.outgoing)]

    def lines(self) -> list[bytes]:
        """Return the whole lines that are there; notes the end, and a line that never ends."""
        with contextlib.suppress(BlockingIOError):
            while len(self.incoming) <= _LONGEST:
                data = os.read(self.answers, _LONGEST)
                self.over = not data
                if self.over:
                    break
                self.incoming += data
        *whole, rest = bytes(self.incoming).split(b"\n")
        self.incoming = bytearray(rest)
        self.over = self.over or len(rest) > _LONGEST
        return whole

    def kill(self) -> None:
        """End the process and all that it has started; close the pipes."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process.pid, signal.SIGKILL)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()

    def close_orders(self) -> None:
        """Have the process end by itself."""
        if self.process.stdin is not None:
            self.process.stdin.close()

    def gone(self) -> bool:
        """Say whether the process has ended."""
        return self.process.poll() is not None

    def wait(self, seconds: float) -> None:
        """Wait for the end."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(max(seconds, 1.0))
