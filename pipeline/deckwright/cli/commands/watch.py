"""`deckwright watch`: the service."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from deckwright.cli.shared.paths import PATH
from deckwright.service.daemon import Service
from deckwright.service.outward.log import service_log
from deckwright.service.system.lock import locked
from deckwright.service.system.places import Workspace


@click.command(name="watch")
@click.argument("folder", metavar="DIR", type=PATH)
@click.option("--once", is_flag=True, help="Take what is there, end when it is done.")
@click.pass_context
def command(ctx: click.Context, folder: Path, *, once: bool) -> None:
    """Serve the workspace DIR: run every deck that is dropped into its inbox.

    The log goes to the standard output: JSON lines, or plain lines on a terminal. SIGTERM ends the
    service, SIGHUP has it read its config again.
    """
    workspace = Workspace(folder.resolve())
    with _surroundings(), locked(workspace) as lock:
        log = service_log(workspace)
        try:
            code = Service(workspace, lock, log).run(once=once)
        finally:
            log.close()
        ctx.exit(code)


@contextlib.contextmanager
def _surroundings() -> Iterator[None]:
    """Keep others out of new files; let a stop end the start too, and a reload wait for its end.

    A start may be cut off anywhere. The service takes over the signals as soon as it is ready.
    """
    umask = os.umask(0o027)
    stop = signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        signal.signal(signal.SIGTERM, stop)
        os.umask(umask)
