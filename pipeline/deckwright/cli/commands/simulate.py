"""`deckwright simulate`: pictures of cards as a damaged deck would give, with the truth beside."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from deckwright.cli.shared.paths import PATH
from deckwright.cli.shared.show import Watcher
from deckwright.errors import DeckError, OutputError, UnreadableDeckError
from deckwright.wording import hyphened, nearest

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from deckwright.cli.shared.drawable import Source
    from deckwright.pictures.simulator.simulate import Plan

_NEEDED = {"cv2": "opencv-python-headless", "PIL": "Pillow"}
_USUAL = 24


class MissingPackageError(DeckError):
    """Pictures cannot be made without the libraries of the extra `pictures`."""

    exit_code = 2

    def __init__(self, package: str) -> None:
        self.package = package
        super().__init__(f"pictures need the package {package}; install deckwright[pictures]")


class TruthError(DeckError):
    """A truth file or a reading cannot be used.

    Attributes:
        path: the file.
    """

    def __init__(self, path: Path, what: str) -> None:
        self.path = path
        super().__init__(f"{path}: {what}")


@dataclass(frozen=True, slots=True)
class _Deck:
    """Where the cards come from: a deck, or chance."""

    path: Path | None
    medium: str | None
    code: str | None


@click.command(name="simulate")
@click.argument("deck", type=PATH, required=False)
@click.option("-o", "--out", type=PATH, metavar="PATH",
              help="Where the pictures go: a file .zip, .tar or .tif, or a folder.")  # fmt: skip
@click.option("--truth", type=PATH, metavar="FILE",
              help="The truth file; left out, PATH.truth.csv beside the pictures.")  # fmt: skip
@click.option("-n", "--cards", type=click.IntRange(1, 1_000_000), metavar="N",
              help="How many cards; left out, all of DECK or 24.")  # fmt: skip
@click.option("--condition", "conditions", multiple=True, metavar="NAME",
              shell_complete=lambda _c, _p, start: [n for n in _condition_names()
                                                    if n.startswith(start)],
              help="How the cards look; several take turns; all: every one.")  # fmt: skip
@click.option("--damage", "damages", multiple=True, metavar="NAME=STRENGTH",
              help="Add one kind of damage, strength 0 to 1 or more.")  # fmt: skip
@click.option("--backing", type=click.Choice(("dark", "light")),
              help="What lies behind the cards; left out, either.")  # fmt: skip
@click.option("--ppi", type=click.FloatRange(100, 1200), default=300, show_default=True,
              help="Pixels per inch.")  # fmt: skip
@click.option("--form", type=click.Choice(("png", "jpg", "tif")), default="png",
              show_default=True, help="Form of each picture.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True,
              help="The same seed gives the same pictures.")  # fmt: skip
@click.option("--medium", metavar="TOML",
              help="The medium of DECK, as in a job: '{ kind = \"text\" }'.")  # fmt: skip
@click.option("--code", metavar="NAME", help="The code of DECK.")
@click.option("--score", type=PATH, metavar="RUN",
              help="Compare the run that read them with the truth; draw nothing.")  # fmt: skip
def command(
    deck: Path | None,
    out: Path | None,
    truth: Path | None,
    cards: int | None,
    conditions: tuple[str, ...],
    damages: tuple[str, ...],
    backing: str | None,
    ppi: float,
    form: str,
    seed: int,
    medium: str | None,
    code: str | None,
    score: Path | None,
) -> None:
    """Make invented pictures of the cards of DECK, or of invented cards, and say what is on them.

    The pictures show no real card. Read them as you would read scans, then compare with --score:
    a column that was decided and is wrong is a silent error.
    """
    if score is not None:
        if truth is None or out is not None or deck is not None:
            msg = "--score wants the truth with --truth FILE, and neither DECK nor --out"
            raise click.UsageError(msg)
        _compare(score, truth)
        return
    if out is None:
        msg = "say with --out where the pictures go"
        raise click.UsageError(msg)
    for module, package in _NEEDED.items():
        if importlib.util.find_spec(module) is None:
            raise MissingPackageError(package)
    from deckwright.pictures.simulator.simulate import Plan  # noqa: PLC0415 # loads the picture libraries

    plan = Plan(_conditions(conditions), ppi, seed, backing or "", _damages(damages))
    _make(_Deck(deck, medium, code), plan, cards, (out, truth or _beside(out), form))


def _make(deck: _Deck, plan: Plan, count: int | None, places: tuple[Path, Path, str]) -> None:
    from deckwright.pictures.files.albums import write_album  # noqa: PLC0415 # loads the libraries
    from deckwright.pictures.simulator.scoring import write_truth  # noqa: PLC0415

    out, truth, form = places
    for path in (out, truth):
        if path.exists():
            raise OutputError(str(path), "exists already; name another or move it away")
    rows: list[dict[str, str]] = []
    suffix = f".{form}"
    paged = out.suffix.lower() in {".tif", ".tiff"}

    def drawn() -> Iterator[tuple[str, NDArray[np.uint8]]]:
        for name, card in plan.cards(told()):
            rows.append(
                card.truth(f"{out.name}.page-{len(rows) + 1:04d}.png" if paged else name + suffix)
            )
            yield name, card.image

    def told() -> Iterator[tuple[NDArray[np.uint16], str]]:
        wanted, cards = _cards(deck, count, plan.seed)
        for place, card in enumerate(cards):
            watcher("drawing", place, wanted)
            yield card
        watcher("drawing", wanted, wanted)

    try:
        with Watcher("pictures") as watcher:
            write_album(out, drawn(), form, plan.ppi)
        write_truth(truth, rows)
    except OSError as error:
        raise OutputError(
            str(error.filename or out), f"cannot be written: {(error.strerror or '').lower()}"
        ) from error
    click.echo(f"invented pictures of {len(rows):,} cards: {out}")
    click.echo(f"what is on them: {truth}")


def _cards(
    deck: _Deck, count: int | None, seed: int
) -> tuple[int, Iterator[tuple[NDArray[np.uint16], str]]]:
    """Return how many cards there are to draw, and patterns and printed line of each."""
    if deck.path is None:
        from deckwright.pictures.simulator.simulate import invented_cards  # noqa: PLC0415

        wanted = count or _USUAL
        return wanted, iter(invented_cards(wanted, seed))
    from deckwright.cli.shared.drawable import CARDS_A_SPAN  # noqa: PLC0415

    source = _source(deck.path, deck.medium, deck.code)
    there = source.medium.survey(source.path, CARDS_A_SPAN).cards
    wanted = min(count or there, there)
    return wanted, _of_deck(source, wanted)


def _of_deck(source: Source, wanted: int) -> Iterator[tuple[NDArray[np.uint16], str]]:
    from deckwright.cli.shared.drawable import card_line, picked  # noqa: PLC0415

    numbers = range(1, wanted + 1)
    for first in range(0, wanted, _USUAL):
        some = picked(source.medium, source.path, numbers[first : first + _USUAL])
        for number, card in some.items():
            line = card_line(number, card, source.medium.code, None)
            assert line.patterns is not None  # noqa: S101 # or it could not be drawn
            yield line.patterns, line.text


def _source(path: Path, medium: str | None, code: str | None) -> Source:
    from deckwright.cli.shared.drawable import source_of_deck  # noqa: PLC0415
    from deckwright.cli.shared.mediumoption import medium_named  # noqa: PLC0415
    from deckwright.examine.opening.opening import parse_medium  # noqa: PLC0415

    with medium_named(medium, code):
        return source_of_deck(path, None if medium is None else parse_medium(medium), code)


def _condition_names() -> list[str]:
    """Return the names of conditions as they are given: with hyphens, and `all`."""
    from deckwright.pictures.simulator.simulate import CONDITIONS  # noqa: PLC0415

    return [*(hyphened(name) for name in CONDITIONS), "all"]


def _spaced(kind: str, name: str, known: list[str]) -> str:
    """Return a name of a condition or a damage as the simulator has it."""
    told = hyphened(name)
    if told not in known:
        msg = f"there is no {kind} {name!r}; {nearest(told, known)}"
        raise click.UsageError(msg)
    if told != name:
        click.echo(f"write {told!r} with hyphens; {name!r} is taken for now", err=True)
    return told.replace("-", " ")


def _conditions(names: tuple[str, ...]) -> tuple[str, ...]:
    from deckwright.pictures.simulator.simulate import CONDITIONS  # noqa: PLC0415

    found = tuple(_spaced("condition", name, _condition_names()) for name in names)
    return tuple(CONDITIONS) if "all" in found else found or ("ordinary",)


def _damages(texts: tuple[str, ...]) -> dict[str, float]:
    from deckwright.pictures.simulator.damage import DAMAGES  # noqa: PLC0415

    found: dict[str, float] = {}
    for text in texts:
        name, _, strength = text.partition("=")
        damage = _spaced("damage", name.strip(), [hyphened(each) for each in DAMAGES])
        try:
            found[damage] = float(strength)
        except ValueError:
            found[damage] = -1.0
        if not 0 <= found[damage] <= 10:  # noqa: PLR2004
            msg = f"--damage {text!r}: the strength should be a number from 0 to 10, as in blur=0.5"
            raise click.UsageError(msg)
    return found


def _beside(out: Path) -> Path:
    return out.with_name(f"{out.name}.truth.csv")


def _compare(run: Path, truth: Path) -> None:
    from deckwright.pictures.simulator.scoring import (  # noqa: PLC0415
        read_truth,
        score_lines,
        scores,
    )

    try:
        rows = read_truth(truth)
    except OSError as error:
        raise TruthError(truth, f"cannot be read: {(error.strerror or '').lower()}") from error
    except (ValueError, KeyError) as error:
        lacking = isinstance(error, KeyError)
        what = f"it has no column {error.args[0]!r}" if lacking else str(error)
        raise TruthError(truth, f"is no truth file: {what}") from error
    for line in score_lines(scores(rows, _read(run))):
        click.echo(line)


def _read(run: Path) -> dict[str, Any]:
    """Return what a run read of each picture."""
    import polars as pl  # noqa: PLC0415 # only for the comparison

    from deckwright.pictures.simulator.scoring import read_card_of  # noqa: PLC0415

    path = run / "out" / "reading.parquet"
    if not path.is_file():
        raise UnreadableDeckError(str(run), "is no run folder of a deck of pictures")
    frame = pl.read_parquet(path, columns=["picture", "state", "probability", "unsure_columns"])
    return {
        row["picture"]: read_card_of(row["probability"], row["state"], row["unsure_columns"])
        for row in frame.iter_rows(named=True)
    }
