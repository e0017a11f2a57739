"""`deckwright examine`: what a strange deck is, before anything about it is written down."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from deckwright.cli.shared.mediumoption import MEDIUM_HELP, complete_codes, medium_named
from deckwright.cli.shared.paths import PATH
from deckwright.cli.shared.terminal import ascii_only, width
from deckwright.errors import OutputError
from deckwright.examine.deck import examine
from deckwright.examine.figures import figures_json
from deckwright.examine.model import Examination
from deckwright.examine.opening.opening import parse_medium
from deckwright.examine.show.page import deck_report
from deckwright.examine.show.proposing import propose
from deckwright.examine.show.terminal import Line, lines

_STYLES = {"head": "bold underline", "strong": "bold", "soft": "dim", "alarm": "bold red", "": ""}


@click.command(name="examine")
@click.argument("files", type=PATH, nargs=-1, required=True, metavar="FILE...")
@click.option("--html", type=PATH, metavar="FILE", help="Write the deck report, one HTML page.")
@click.option("--json", "figures", type=PATH, metavar="FILE",
              help="Write all figures as JSON; - prints them and nothing else.")  # fmt: skip
@click.option("--propose", "proposal", type=PATH, metavar="DIR",
              help="Write a commented layout and job that run as they are.")  # fmt: skip
@click.option("--medium", metavar="TOML",
              help=f"{MEDIUM_HELP} Where you know it.")  # fmt: skip
@click.option("--code", metavar="NAME", shell_complete=complete_codes,
              help="The code, where you know it.")  # fmt: skip
@click.option("--brief", is_flag=True, help="Print no card contents and no reasons.")
def command(
    files: tuple[Path, ...],
    html: Path | None,
    figures: Path | None,
    proposal: Path | None,
    medium: str | None,
    code: str | None,
    *,
    brief: bool,
) -> None:
    """Find out what the deck in FILE... is: medium, code, cards, columns, likely fields.

    Several files are one deck, stacked as `deckwright run` would stack them. Nothing is changed.
    What is printed, and the page, repeat contents of cards.
    """
    options = None if medium is None else parse_medium(medium)
    with medium_named(medium, code):
        found = examine(files, medium=options, code=code)
    for warning in found.warnings:
        click.echo(f"warning: {warning}", err=True)
    if figures == Path("-"):
        click.echo(figures_json(found), nl=False)
    else:
        _show(found, brief=brief)
    if figures is not None and figures != Path("-"):
        _write(figures, figures_json(found))
    if html is not None:
        _write(html, deck_report(found))
    if proposal is not None:
        _propose(found, proposal, files)


def _show(found: Examination, *, brief: bool) -> None:
    told = lines(found, brief=brief, width=width(), plain=ascii_only())
    if not sys.stdout.isatty():
        for line in told:
            click.echo("".join(text for text, _ in line).rstrip())
        return
    from rich.console import Console  # noqa: PLC0415 # only on a terminal
    from rich.text import Text  # noqa: PLC0415

    console = Console(highlight=False)
    for line in told:
        console.print(_styled(Text, line), soft_wrap=True)


def _styled(text: type, line: Line) -> object:
    return text.assemble(*((part, _STYLES[style]) for part, style in line))  # type: ignore[attr-defined] # rich's Text


def _propose(found: Examination, folder: Path, files: tuple[Path, ...]) -> None:
    if not found.counted:
        click.echo("nothing is proposed before the medium is chosen", err=True)
        return
    made = propose(found, folder, found.own_codes)
    deck = " ".join(str(file) for file in files)
    click.echo(f"proposed: {made.job}, {made.layout}; try them:")
    click.echo(f"  deckwright run {made.job} {deck} --out {folder / 'run'}")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(
            str(path), f"cannot be written: {(error.strerror or '').lower()}"
        ) from error
    click.echo(f"written: {path}", err=True)
