"""`deckwright draw`: cards as pictures, at true size, on sheets, or on the terminal."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from deckwright.cli.shared.drawable import (
    CARDS_A_SPAN,
    Source,
    card_line,
    layout_in,
    must_read_alike,
    picked,
    source_of_deck,
    source_of_job,
)
from deckwright.cli.shared.drawablerun import RunCards
from deckwright.cli.shared.mediumoption import MEDIUM_HELP, complete_codes, medium_named
from deckwright.cli.shared.paths import PATH
from deckwright.cli.shared.terminal import ascii_only, width
from deckwright.engine.passes.deckfile import must_be_a_deck
from deckwright.errors import OutputError, UnreadableDeckError
from deckwright.examine.opening.cutoff import of_whole_cards
from deckwright.examine.opening.opening import parse_medium
from deckwright.journal.reader import NoSuchCardError
from deckwright.report.drawing.cards import card_scene
from deckwright.report.drawing.scene import Scene
from deckwright.report.drawing.sheets import PAPERS, contact_pages, true_size_pages
from deckwright.report.drawing.svg import to_svg
from deckwright.report.drawing.text import card_lines
from deckwright.report.model import CardLine

FORMS = ("svg", "png", "pdf")

MOST_CARDS = 2_000
"""Cards that are drawn in one go at most."""

MOST_RETURNED = 400
"""Returned cards of a run that are drawn where nobody names cards."""

_ON_TERMINAL = 12
_A_SHEET = 3
_ROWS = 8
_RANGE = re.compile(r"^(\d{1,15})(?:-(\d{1,15}))?$")


@dataclass(frozen=True, slots=True)
class Wish:
    """How cards are to be drawn."""

    out: Path | None
    form: str
    paper: str
    a_row: int
    ppi: float
    font: Path | None

    def usual(self) -> int:
        """Return how many cards of a deck are drawn where nobody names any."""
        if self.a_row:
            return self.a_row * _ROWS
        return _A_SHEET if self.paper else 1


@click.command(name="draw")
@click.argument("file", type=PATH)
@click.argument("cards", nargs=-1, metavar="[CARD]...")
@click.option("-o", "--out", type=PATH, metavar="PATH",
              help="Where to draw: a file .svg, .png or .pdf, or a folder.")  # fmt: skip
@click.option("--form", type=click.Choice(FORMS), default="svg", show_default=True,
              help="Form of the drawings in a folder.")  # fmt: skip
@click.option("--ppi", type=click.FloatRange(30, 2400), default=200, show_default=True,
              help="Pixels per inch of a PNG.")  # fmt: skip
@click.option("--sheet", type=click.Choice(list(PAPERS)), metavar="PAPER",
              help="Several cards on a page, at true size: a4 or letter.")  # fmt: skip
@click.option("--contact", type=click.IntRange(1, 12), metavar="N",
              help="Small cards, N in a row, with their faults.")  # fmt: skip
@click.option("--layout", type=PATH, metavar="FILE", help="A layout whose fields are shown.")
@click.option("--job", type=PATH, metavar="JOB", help="The job that reads the deck.")
@click.option("--medium", metavar="TOML", help=MEDIUM_HELP)
@click.option("--code", metavar="NAME", shell_complete=complete_codes, help="The code.")
@click.option("--deck", "decks", type=PATH, multiple=True, metavar="DECK",
              help="A deck of the run, for cards that went on.")  # fmt: skip
@click.option("--font", type=PATH, metavar="TTF", help="The typeface of PNG and PDF.")
def command(
    file: Path,
    cards: tuple[str, ...],
    out: Path | None,
    form: str,
    ppi: float,
    sheet: str | None,
    contact: int | None,
    layout: Path | None,
    job: Path | None,
    medium: str | None,
    code: str | None,
    decks: tuple[Path, ...],
    font: Path | None,
) -> None:
    """Draw cards of FILE, a deck or the folder of a run.

    CARD is a number or a range such as 20-25; left out, the first cards of a deck or the returned
    cards of a run are drawn. Without --out they are drawn with characters. Drawings repeat what is
    punched on the cards.
    """
    wish = Wish(out, _form(out, form), sheet or "", contact or 0, ppi, font)
    if out is None and (sheet or contact):
        msg = "--sheet and --contact make pages; say where with --out"
        raise click.UsageError(msg)
    numbers = _numbers(cards)
    with TemporaryDirectory(prefix="deckwright-draw-") as room:
        if (file / "journal" / "journal.json").is_file():
            lines = _of_run(file, numbers, decks, layout, wish, Path(room))
            title = f"Cards of {file.resolve().name}"
        else:

            def look(files: list[Path]) -> list[CardLine]:
                at = _reader(files[0], job, medium, code)
                return _of_deck(files[0], numbers, at, layout, wish, Path(room))

            lines, warnings = of_whole_cards([file], look)
            for warning in warnings:
                click.echo(f"warning: {warning}", err=True)
            title = f"Cards of {file.name}"
    if out is None:
        _say(lines)
    else:
        _Drawer(wish, title).draw(lines)


def _numbers(cards: Sequence[str]) -> list[int]:
    """Return card numbers, each once, in the order given.

    Raises:
        click.UsageError: one is no number or range, or there are too many.
    """
    numbers: dict[int, None] = {}
    for part in " ".join(cards).replace(",", " ").split():
        found = _RANGE.match(part)
        first = int(found[1]) if found else 0
        last = int(found[2] or first) if found else 0
        if not 1 <= first <= last:
            msg = f"{part!r} is no card number and no range such as 20-25"
            raise click.UsageError(msg)
        if len(numbers) + last - first >= MOST_CARDS:
            msg = f"at most {MOST_CARDS:,} cards are drawn in one go; name fewer"
            raise click.UsageError(msg)
        numbers.update(dict.fromkeys(range(first, last + 1)))
    return list(numbers)


def _form(out: Path | None, form: str) -> str:
    suffix = out.suffix.lower().lstrip(".") if out is not None and not out.is_dir() else ""
    if suffix and suffix not in FORMS:
        msg = f"--out {out} should end in .svg, .png or .pdf, or be a folder"
        raise click.UsageError(msg)
    return suffix or form


Reader = Callable[[], Source]


def _reader(file: Path, job: Path | None, medium: str | None, code: str | None) -> Reader:
    """Return what opens the deck; options that contradict each other are told before."""
    if job is not None:
        if medium is not None or code is not None:
            msg = "--job says medium and code already; say either it or them"
            raise click.UsageError(msg)
        return lambda: replace(source_of_job(job), path=file)
    options = None if medium is None else parse_medium(medium)

    def opened() -> Source:
        with medium_named(medium, code):
            return source_of_deck(file, options, code)

    return opened


def _of_deck(
    file: Path, numbers: list[int], reader: Reader, layout: Path | None, wish: Wish, room: Path
) -> list[CardLine]:
    if not file.exists():
        what = "does not exist"
        raise UnreadableDeckError(str(file), what, "correct the path")
    source = reader()
    source.medium.use_folder(room)
    must_be_a_deck(source.path, source.medium)
    if not numbers:
        count = source.medium.survey(source.path, CARDS_A_SPAN).cards
        numbers = list(range(1, min(wish.usual(), count) + 1))
    fields = layout_in(layout) if layout else source.layout
    found = picked(source.medium, source.path, numbers)
    if source.rival is not None:
        must_read_alike(file, source, found)
    return [card_line(number, found[number], source.medium.code, fields) for number in numbers]


def _of_run(
    run: Path,
    numbers: list[int],
    decks: Sequence[Path],
    layout: Path | None,
    wish: Wish,
    room: Path,
) -> list[CardLine]:
    cards = RunCards(run, decks)
    for source in cards.sources.values():
        source.medium.use_folder(room)
    if not numbers:
        returned = cards.returned
        if not returned:
            msg = f"{run}: no card was returned; name the cards to draw"
            raise NoSuchCardError(msg)
        most = MOST_RETURNED if wish.out else _ON_TERMINAL
        numbers = returned[:most]
        if len(returned) > most:
            said = f"the first {most:,} of {len(returned):,} returned cards; name others by number"
            click.echo(said, err=True)
    return cards.lines(numbers, layout_in(layout) if layout else None)


def _say(lines: Sequence[CardLine]) -> None:
    """Print cards, drawn with characters; a list of fields once for the cards that share it."""
    plain, across = ascii_only(), width()
    for place, card in enumerate(lines):
        last = place + 1 == len(lines) or lines[place + 1].fields != card.fields
        drawn = "\n".join(card_lines(card, across, plain=plain, legend=last))
        click.echo(("\n" if place else "") + drawn)


class _Drawer:
    """Writes drawings into files."""

    def __init__(self, wish: Wish, title: str) -> None:
        self.wish, self.title = wish, title

    def draw(self, lines: Sequence[CardLine]) -> None:
        """Draw cards as it is wished."""
        out = self.wish.out
        assert out is not None  # noqa: S101 # as the caller sees to
        scenes, names = self._scenes(lines)
        if not out.suffix or out.is_dir():
            self._in_folder(out, scenes, names)
        elif self.wish.form == "pdf" or len(scenes) == 1:
            self._write(out, scenes)
        else:
            for scene, name in zip(scenes, names, strict=True):
                self._write(out.with_name(f"{out.stem}-{name}{out.suffix}"), [scene])
        self._tell_missing()

    def _in_folder(self, out: Path, scenes: list[Scene], names: list[str]) -> None:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(str(out), f"cannot be made: {_why(error)}") from error
        kind = "page" if self.wish.paper or self.wish.a_row else "card"
        for scene, name in zip(scenes, names, strict=True):
            self._write(out / f"{kind}-{name}.{self.wish.form}", [scene])

    def _scenes(self, lines: Sequence[CardLine]) -> tuple[list[Scene], list[str]]:
        """Return the pictures, and what tells each from the others in a file name."""
        wish = self.wish
        paper = PAPERS[wish.paper or "a4"]
        if wish.a_row:
            pages = contact_pages(lines, wish.a_row, paper, self.title)
        elif wish.paper:
            pages = true_size_pages(lines, paper, self.title)
        else:
            return [_scene(card) for card in lines], [str(card.card) for card in lines]
        width = len(str(len(pages)))
        return pages, [f"{number:0{width}}" for number in range(1, len(pages) + 1)]

    def _write(self, path: Path, scenes: Sequence[Scene]) -> None:
        try:
            path.write_bytes(self._bytes(scenes))
        except OSError as error:
            raise OutputError(str(path), f"cannot be written: {_why(error)}") from error
        click.echo(f"written: {path}", err=True)

    def _bytes(self, scenes: Sequence[Scene]) -> bytes:
        wish = self.wish
        if wish.form == "pdf":
            from deckwright.report.drawing.pdf import to_pdf  # noqa: PLC0415 # its library is heavy

            return to_pdf(scenes, title=self.title, font=wish.font)
        if wish.form == "png":
            from deckwright.report.drawing.png import to_png  # noqa: PLC0415 # its library is heavy

            return to_png(scenes[0], wish.ppi, font=wish.font)
        return f"{to_svg(scenes[0])}\n".encode()

    def _tell_missing(self) -> None:
        """Say which characters the typeface lacks; a frame stands for them."""
        if self.wish.form == "svg":
            return
        from deckwright.report.drawing.lettering import load_face  # noqa: PLC0415 # its library is heavy

        missing = sorted(load_face(self.wish.font).missing)
        if missing:
            named = ", ".join(f"{one!r} (U+{ord(one):04X})" for one in missing[:8])
            more = f" and {len(missing) - 8} more" if len(missing) > 8 else ""  # noqa: PLR2004 # as named
            said = (
                f"the typeface lacks {named}{more}, drawn as an empty frame; name one with --font"
            )
            click.echo(said, err=True)


def _scene(card: CardLine) -> Scene:
    assert card.patterns is not None  # noqa: S101 # drawable sees to it
    return card_scene(
        card.patterns,
        card.text,
        card.marks,
        title=card.full_name,
        fields=card.fields,
        notes=card.notes,
        asked=card.asked,
    )


def _why(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
