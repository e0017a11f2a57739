"""The command `deckwright`."""

from __future__ import annotations

import importlib
import os
import signal
import sys

import click
from click.exceptions import NoArgsIsHelpError
from typing_extensions import override

from deckwright.cli.loading import nothing_collected
from deckwright.cli.stopped import STOPPED
from deckwright.cli.streams import Streams
from deckwright.errors import DeckwrightError, ReaderGoneError
from deckwright.frames import FRAMES

COMMANDS = {
    "acknowledge": "Note who knows that bytes came late to a finished deck.",
    "check": "Check a job and all that it names; run nothing.",
    "demo": "Make the demo decks, run their job, compare with the truth.",
    "draw": "Draw cards: at true size, on sheets, or on the terminal.",
    "examine": "Find out what an unknown deck is.",
    "find": "Find a deck of a service by its name.",
    "guide": "Show a page of the guide.",
    "hold": "Hold a waiting deck or a whole job.",
    "generations": "List what a master was, run by run.",
    "init": "Make the workspace of a service.",
    "journal": "Print the journal of a run as JSON lines.",
    "log": "Tell what happened in a workspace or in one run.",
    "requeue": "Run a finished deck again.",
    "restore": "Put an earlier generation of a master back.",
    "resume": "Let a held deck or job go on.",
    "run": "Run decks through the chain of a job.",
    "schema": "Write the JSON Schemas of the config files.",
    "simulate": "Make invented, damaged pictures of cards, with the truth.",
    "stages": "List stages and media, or the options of one.",
    "status": "Tell where every deck of a service is.",
    "tidy": "List old runs; remove them once results are accepted.",
    "trace": "Tell what happened to one card.",
    "verify": "Check delivered files against their checksums.",
    "watch": "Serve a workspace: run what is dropped into its inbox.",
}


_ONLY_PRINT = {"guide", "journal", "schema", "stages", "trace"}
"""Commands that make nothing but what they print: they may end when its reader goes away."""

_STARTED: list[Streams] = []


class _Commands(click.Group):
    """Loads a command's module only when it is called, so that --help stays quick."""

    @override
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    @override
    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        if cmd_name in _ONLY_PRINT:
            for streams in _STARTED:
                streams.output_is_all()
        with nothing_collected():
            module = importlib.import_module(f"deckwright.cli.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    @override
    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _version(ctx: click.Context, _: click.Parameter, value: bool) -> None:  # noqa: FBT001 # click's callback
    if value:
        from importlib.metadata import version  # noqa: PLC0415 # only for this option

        click.echo(f"deckwright {version('deckwright')}")
        ctx.exit()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_version,
              help="Show the version and exit.")  # fmt: skip
@click.option("--verbose", is_flag=True, help="Show the traceback behind the failure of a stage.")
def cli(*, verbose: bool) -> None:  # main looks at it
    """Take decks of 80-column cards through the whole job, with an account of every card.

    Exit codes: 0 done; 1 verify found a difference, find no deck, or a service did not do what was
    asked; 2 a config file or an option is wrong; 3 a plugin failed; 4 the deck or the master cannot
    be used; 10, 11, 12, 13 what status found; 70 a worker process ended by itself; 73 the run
    folder cannot be written; 75 the service must begin again, or another one holds the workspace;
    78 the workspace cannot be used as it is; 130, 143 stopped by a signal; 141 the reader of what
    is printed went away.
    """


def main() -> None:
    """Run the command line; a user's mistake ends in one sentence and an exit code."""
    for name, value in FRAMES.items():
        os.environ.setdefault(name, value)
    if sys.stdout is sys.__stdout__:  # else somebody in this process listens
        _STARTED.append(Streams())
    code = _code()
    for streams in _STARTED:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # it has ended; only the process has not
        lost = streams.lost()
        if lost is not None:
            _say(f"what was printed is lost: {(lost.strerror or '').lower()}")
    if code:
        sys.exit(code)


def _code() -> int:
    """Run a command; return its exit code, and say what ended it."""
    try:
        code = cli.main(standalone_mode=False)
        sys.stdout.flush()
    except (click.Abort, KeyboardInterrupt):
        _say("stopped")
        return STOPPED
    except NoArgsIsHelpError as error:
        error.show()
        return error.exit_code
    except (click.ClickException, DeckwrightError) as error:
        return _failed(error)
    return code if isinstance(code, int) else 0  # how click hands on what a command ends with


def _failed(error: click.ClickException | DeckwrightError) -> int:
    """Say what ended a command; return its exit code."""
    if isinstance(error, click.ClickException):
        from deckwright.cli.mistakes import sentence  # noqa: PLC0415 # only for a mistake

        _say(sentence(error))
        return error.exit_code
    if isinstance(error, ReaderGoneError):
        return error.exit_code
    if "--verbose" in sys.argv[1:]:
        for note in getattr(error, "__notes__", []):
            click.echo(note, err=True)
    _say(str(error))
    return error.exit_code


def _say(message: str) -> None:
    for line in message.splitlines():
        click.echo(f"deckwright: {line}", err=True)
