"""A worker process: takes orders from its input, runs them one by one, says how each ended.

Started as `python -I -m deckwright.service.workers.worker SETTINGS`, the settings being JSON.
Orders come through standard input and messages go out through a pipe of their own, one JSON object
a line; what a plugin prints goes nowhere.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from deckwright.service.workers.limits import bind_to_parent, free_input, limit_run, set_limits

BAD_ORDER = 72
"""Exit code of a worker that was given what is no order."""

UNHEARD = 73
"""Exit code of a worker that nobody listens to any more."""

_BLOCK = 1 << 16
_RUNS_KEPT = 50  # what was there at the first is kept out of garbage collection for so many


def run_order(order: Any, fs: Any, say: Callable[[Any], None]) -> None:
    """Run one order in this process, without limits; for tests and single runs.

    Args:
        order: a `RunOrder`.
        fs: an `Fs`, which takes every step on the file system but those of the engine.
        say: told `Progress`, and once `Ended`, whatever happens.
    """
    from deckwright.service.workers.running import Runner, default_scratch  # noqa: PLC0415 # heavy

    scratch = default_scratch(order)
    try:
        Runner(fs, scratch).run(order, say)
    finally:
        with contextlib.suppress(OSError):  # scratch is cleared at the next start too
            fs.remove_tree(scratch)


def main() -> None:
    """Be a worker until the input ends."""
    settings = json.loads(sys.argv[1])
    bind_to_parent(settings["parent"])
    for descriptor in settings["keep"]:
        os.set_inheritable(descriptor, False)  # noqa: FBT003 # takes it by place only
    set_limits(file=settings["file"], open_files=settings["open_files"], nice=settings["nice"])
    orders = free_input()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _serve(orders, settings)
    # not the usual end: threads and exit handlers of plugins have no say in it
    os._exit(0)


def _serve(orders: int, settings: dict[str, Any]) -> None:
    from deckwright.engine.passes.process import look_through_all  # noqa: PLC0415 # heavy
    from deckwright.service.store.records import BadRecordError, parse  # noqa: PLC0415
    from deckwright.service.system.fs import Fs  # noqa: PLC0415 # heavy from here on
    from deckwright.service.workers.messages import LONGEST, RunOrder  # noqa: PLC0415
    from deckwright.service.workers.running import Runner  # noqa: PLC0415
    from deckwright.service.workers.traces import Rest, Traces, resident  # noqa: PLC0415

    say = _Mouth(settings["messages"])
    memory = settings["memory"]
    runner = Runner(
        Fs(),
        Path(settings["scratch"]),
        limit=lambda job, cpu_s: limit_run(memory + job, cpu_s),
        confined=True,
    )
    say(Rest(resident=resident()))
    waiting, runs = b"", 0
    before = Traces.look()
    while block := os.read(orders, _BLOCK):
        waiting += block
        while b"\n" in waiting:
            line, _, waiting = waiting.partition(b"\n")
            try:
                order = parse(RunOrder, line)
            except BadRecordError:
                os._exit(BAD_ORDER)
            runner.run(order, say)
            runs += 1
            if runs % _RUNS_KEPT == 0:
                look_through_all()
            after = Traces.look()
            left, before = after.differences(before), after  # nothing runs until the next order
            say(Rest(left=left, plain=runner.plain, resident=resident()))
        if len(waiting) > LONGEST:
            os._exit(BAD_ORDER)


class _Mouth:
    """Writes messages. A copy of this process that a plugin has made must not speak for it."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor, self._process = descriptor, os.getpid()

    def __call__(self, message: Any) -> None:
        if os.getpid() != self._process:
            os._exit(UNHEARD)
        data = memoryview(message.model_dump_json().encode() + b"\n")
        try:
            while data:
                data = data[os.write(self._descriptor, data) :]
        except OSError:
            os._exit(UNHEARD)


if __name__ == "__main__":
    main()
