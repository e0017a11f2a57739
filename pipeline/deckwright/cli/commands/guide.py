"""`deckwright guide`: pages of the guide, which ship with the program and need no network."""

from __future__ import annotations

import os
import shutil
import sys
from importlib.resources import files

import click

from deckwright.cli.shared.guidepage import Page
from deckwright.cli.shared.terminal import ascii_only, width
from deckwright.wording import nearest

_ASCII = str.maketrans({"\u2013": "-", "\u2014": "-", "\u00a0": " ", "\u2026": "..."})


def topics() -> list[str]:
    """Return the names of the pages."""
    folder = files("deckwright").joinpath("guide")
    names = (page.name for page in folder.iterdir())
    return sorted(name.removesuffix(".md") for name in names if name.endswith(".md"))


def _complete(_: click.Context, __: click.Parameter, start: str) -> list[str]:
    return [name for name in topics() if name.startswith(start)]


@click.command(name="guide")
@click.argument("topic", required=False, shell_complete=_complete)
def command(topic: str | None) -> None:
    """Show the page on TOPIC, or list the topics."""
    if topic is None:
        for name in topics():
            click.echo(f"{name:<12} {_text(name).splitlines()[0].lstrip('# ')}")
        return
    if topic not in topics():
        msg = f"there is no page {topic!r}; {nearest(topic, topics())}"
        raise click.UsageError(msg)
    terminal = sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    page = Page(width(), coloured=terminal and not os.environ.get("NO_COLOR"))
    lines = [f"{line}\n" for line in page.lines(_text(topic))]
    if ascii_only():
        lines = [line.translate(_ASCII).encode("ascii", "replace").decode() for line in lines]
    tall = len(lines) >= shutil.get_terminal_size().lines
    if terminal and tall and sys.stdin is not None and sys.stdin.isatty():
        click.echo_via_pager(lines, color=page.coloured)
    else:
        click.echo("".join(lines), nl=False, color=page.coloured)


def _text(topic: str) -> str:
    folder = files("deckwright").joinpath("guide")
    return folder.joinpath(f"{topic}.md").read_text(encoding="utf-8")
