"""Observers of all tempers."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

from deckwright import Notice, NoticeConfig, hookimpl


class Config(NoticeConfig):
    """What an observer of these tests may be told."""

    file: str = "heard"
    """Where the good one writes."""
    secret: str = ""
    """Something that nobody else should see."""


class Keeps(Notice[Config]):
    """Writes down what it hears."""

    kind = "keeps"

    def _note(self, event, facts):
        facts.pop("self")
        with (self.workspace / self.config.file).open("a") as file:
            file.write(json.dumps({"event": event, **facts}) + "\n")

    def deck_done(self, run, job, deck, counts, folder):
        self._note("deck_done", locals())

    def deck_returned(self, run, job, deck, code, folder):
        self._note("deck_returned", locals())

    def deck_held(self, run, job, deck, why):
        self._note("deck_held", locals())

    def job_held(self, job, why):
        self._note("job_held", locals())


class Raises(Notice[Config]):
    kind = "raises"

    def deck_done(self, run, job, deck, counts, folder):
        message = f"{self.config.secret} {deck}"
        raise ValueError(message)


class Leaves(Notice[Config]):
    kind = "leaves"

    def deck_done(self, run, job, deck, counts, folder):
        sys.exit(3)


class Ends(Notice[Config]):
    kind = "ends"

    def deck_done(self, run, job, deck, counts, folder):
        os._exit(0)


class Moody(Notice[Config]):
    kind = "moody"

    def deck_done(self, run, job, deck, counts, folder):
        if job == "bad":
            os._exit(0)


class Kills(Notice[Config]):
    kind = "kills"

    def deck_done(self, run, job, deck, counts, folder):
        os.kill(os.getpid(), signal.SIGSEGV)


class Hangs(Notice[Config]):
    kind = "hangs"

    def deck_done(self, run, job, deck, counts, folder):
        signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGTERM, signal.SIGINT])
        subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        time.sleep(600)


class Eats(Notice[Config]):
    kind = "eats"

    def deck_done(self, run, job, deck, counts, folder):
        self.all = bytearray(8 << 30)


class Prints(Notice[Config]):
    kind = "prints"

    def deck_done(self, run, job, deck, counts, folder):
        print("x" * 1_000_000)  # noqa: T201 # what it is for
        os.write(1, b"nonsense\n")
        assert sys.stdin.read() == ""
        assert os.read(0, 10) == b""


class Wanders(Notice[Config]):
    kind = "wanders"

    def deck_done(self, run, job, deck, counts, folder):
        assert "NOTIFY_SOCKET" not in os.environ
        os.chdir("/proc")
        os.environ.clear()


class Unmade(Notice[Config]):
    kind = "unmade"

    def __init__(self, config, workspace):
        raise KeyError(config.secret)


class EndsMade(Notice[Config]):
    kind = "ends-made"

    def __init__(self, config, workspace):
        os._exit(1)


class HangsMade(Notice[Config]):
    kind = "hangs-made"

    def __init__(self, config, workspace):
        time.sleep(600)


@hookimpl
def deckwright_notices():
    return [
        Keeps,
        Raises,
        Leaves,
        Ends,
        Moody,
        Kills,
        Hangs,
        Eats,
        Prints,
        Wanders,
        Unmade,
        EndsMade,
        HangsMade,
    ]
