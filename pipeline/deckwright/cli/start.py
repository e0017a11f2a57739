"""Where the process begins, and what must hold before anything else is loaded."""

from __future__ import annotations

import os
import sys
import warnings

from deckwright.cli.stopped import STOPPED


def main() -> None:
    """Run the command line; Ctrl-C ends it in a sentence at any moment, also while it loads."""
    _keep_warnings_apart()
    try:
        from deckwright.cli.main import main as run  # noqa: PLC0415 # may be stopped too

        run()
    except KeyboardInterrupt:
        sys.stderr.write("deckwright: stopped\n")
        sys.exit(STOPPED)


def _keep_warnings_apart() -> None:
    """Let no warning of a library stop a command, whatever the surroundings ask for."""
    if any(option.startswith("error") for option in sys.warnoptions):
        os.environ["PYTHONWARNINGS"] = "default"  # for the processes that this one starts
        warnings.simplefilter("default")
