"""Mistakes on the command line, each in one sentence: what is wrong, where, what to do."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click
from click.types import FloatParamType, IntParamType

from deckwright.wording import nearest

_EXTRA = re.compile(r"unexpected extra arguments? \((.*)\)")
_NO_VALUE = re.compile(r"Option '([^']+)' requires (?:an argument|\d+ arguments)")


def sentence(error: click.ClickException) -> str:
    """Return what a person should read in place of the message of the library."""
    command = _command(error)
    said = _said(error)
    return f"{command}: {said}" if command and not said.startswith(command) else said


def _said(error: click.ClickException) -> str:
    if isinstance(error, click.exceptions.NoSuchCommand):
        hint = nearest(error.command_name, _commands(error), all_of_them="deckwright --help")
        return f"there is no command {error.command_name!r}; {hint}"
    if isinstance(error, click.NoSuchOption):
        if named := next((each for each in sys.argv[1:] if _is_file_like(error, each)), ""):
            return f"{named!r} is taken for an option; write ./{named} where it is a file"
        hint = nearest(error.option_name, _options(error), all_of_them=_help(error))
        return f"there is no option {error.option_name!r}; {hint}"
    if isinstance(error, click.MissingParameter):
        return f"{_name(error)} is missing; {_usage(error)}"
    if isinstance(error, click.BadParameter):
        return f"{_name(error)}: {_value_said(error)}"
    return _other_said(error)


def _is_file_like(error: click.NoSuchOption, word: str) -> bool:
    return word.startswith(error.option_name) and Path(word).exists()


def _other_said(error: click.ClickException) -> str:
    message = error.format_message()
    if extra := _EXTRA.search(message):
        return f"{extra[1]!r} is too much; {_usage(error)}"
    if bare := _NO_VALUE.search(message):
        return f"{bare[1]} needs a value; {_usage(error)}"
    return _plain(message)


def _value_said(error: click.BadParameter) -> str:
    kind = error.param.type if error.param is not None else None
    found = re.match(r"'?([^' ]*)'?", error.message)
    value = found[1] if found else ""
    if isinstance(kind, click.Choice):
        choices = [str(choice) for choice in kind.choices]
        return f"{value!r} is not known here; {nearest(value, choices)}"
    if isinstance(kind, (IntParamType, FloatParamType)):
        number = "a whole number" if isinstance(kind, IntParamType) else "a number"
        return f"should be {number}{_range(kind)} (got {value!r})"
    if isinstance(kind, click.DateTime):
        return f"should be a day such as 2031-05-06 (got {value!r})"
    return _plain(error.message)


def _plain(message: str) -> str:
    first = message[:1].lower() if message[1:2].islower() else message[:1]
    return first + message[1:].rstrip(".")


def _range(kind: object) -> str:
    low, high = getattr(kind, "min", None), getattr(kind, "max", None)
    if low is None:
        return "" if high is None else f" of at most {high:,}"
    return f" of at least {low:,}" if high is None else f" from {low:,} to {high:,}"


def _name(error: click.BadParameter) -> str:
    param = error.param
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    if param is None:
        return str(error.param_hint or "a value")
    return param.make_metavar(error.ctx).strip("[].") if error.ctx else str(param.name)


def _context(error: click.ClickException) -> click.Context | None:
    return error.ctx if isinstance(error, click.UsageError) else None


def _command(error: click.ClickException) -> str:
    context = _context(error)
    return "" if context is None or context.parent is None else str(context.info_name)


def _help(error: click.ClickException) -> str:
    return " ".join(["deckwright", *filter(None, [_command(error)]), "--help"])


def _usage(error: click.ClickException) -> str:
    context = _context(error)
    if context is None:
        return f"see {_help(error)}"
    pieces = " ".join(context.command.collect_usage_pieces(context))
    needed = " ".join(
        f"{max(param.opts, key=len)} {param.make_metavar(context)}"
        for param in context.command.params
        if isinstance(param, click.Option) and param.required
    )
    line = " ".join(
        filter(None, [_command(error), needed, pieces.replace("[OPTIONS]", "").strip()])
    )
    return f"usage: deckwright {line}"


def _options(error: click.ClickException) -> list[str]:
    context = _context(error)
    params = context.command.params if context else []
    return [*(name for param in params for name in param.opts if name.startswith("-")), "--help"]


def _commands(error: click.ClickException) -> list[str]:
    context = _context(error)
    if context is None or not isinstance(context.command, click.Group):
        return []
    return context.command.list_commands(context)
