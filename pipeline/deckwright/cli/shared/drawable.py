"""Cards to be drawn: from a deck on any medium, or from a run folder with their reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import CodeTable
from deckwright.engine.planning.configs import Configs, read_layout
from deckwright.engine.planning.personal import columns_of
from deckwright.errors import ConfigError, DeckError, DeckwrightError, Fault
from deckwright.examine.count.sampling import survey, take_sample
from deckwright.examine.guess.evidence import reading_of
from deckwright.examine.guess.pictured import look_at_pictures, pictures_in
from deckwright.examine.opening.opening import Media, open_deck
from deckwright.examine.show.sentences import options_toml
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.job import JobSpec
from deckwright.journal.reader import NoSuchCardError
from deckwright.layout.reading import Layout
from deckwright.plugin.media import Medium
from deckwright.plugin.registry import Registry
from deckwright.report.drawing.cards import COLUMNS
from deckwright.report.drawing.fields import fields_of
from deckwright.report.drawing.notes import notes_on, patterns_of, printed_of
from deckwright.report.model import CardLine, Mark

CARDS_A_SPAN = 65_536
CARDS_A_TRAY = 4_096


class WhichMediumError(DeckwrightError):
    """What a deck lies on is not certain, so that a person must say it."""

    exit_code = 2


class NotDrawableError(DeckError):
    """A card cannot be drawn as one."""


@dataclass(slots=True)
class Source:
    """A deck that can be read: its medium, its file, its layout where a job names one.

    rival: another code that may as well be right, where the deck does not tell.
    """

    medium: Medium[Any]
    path: Path
    layout: Layout | None = None
    rival: CodeTable | None = None
    keeps: object = None
    personal: tuple[tuple[int, int], ...] = ()
    """Columns, from 1, that are masked."""


@dataclass(slots=True)
class Said:
    """What is said of one card: marks, and which of them (from 1) are questions."""

    marks: list[Mark] = field(default_factory=list)
    asked: set[int] = field(default_factory=set)

    def add(self, mark: Mark, severity: str) -> None:
        """Enter a mark; one that is no reason to return the card is a question."""
        first, last, sentence = mark
        if severity == "fatal":
            self.marks.append(mark)
            return
        self.marks.append((first, last, f"{severity}: {sentence}"))
        self.asked.add(len(self.marks))


def source_of_job(job: Path) -> Source:
    """Return the medium and the first layout of a job of one deck; the deck is yet to be given.

    Raises:
        ConfigError: the job has faults, or several decks.
        PluginError: a plugin is missing or broken.
    """
    sources = list(sources_of_job(job).values())
    if len(sources) > 1:
        what = "has several decks, so it does not say how one file is read; say --medium"
        raise ConfigError([Fault(str(job), 0, what)])
    return sources[0]


def sources_of_job(job: Path) -> dict[str, Source]:
    """Return the medium and the first layout that a job names; the deck is yet to be given.

    By the name of the deck in a job of several, else with an empty name.

    Raises:
        ConfigError: the job has faults.
        PluginError: a plugin is missing or broken.
    """
    file = ConfigFile(job)
    spec = file.validate(JobSpec, file.tables)
    plugins = [_beside(job, plugin) for plugin in spec.plugins]
    configs = Configs(job, Registry(plugins))
    if spec.deck:
        return {
            deck.name: _source(
                configs.medium(deck.options.get("medium", {})),
                job,
                configs.layout(deck.layout) if deck.layout else None,
                spec,
            )
            for deck in spec.deck
        }
    options = spec.stage[0].get("medium")
    if not isinstance(options, Mapping):
        raise ConfigError([file.fault(("stage", 0), "the first stage names no medium")])
    medium = configs.medium(options)
    name = next((one["layout"] for one in spec.stage if isinstance(one.get("layout"), str)), None)
    return {"": _source(medium, job, configs.layout(name) if name else None, spec)}


def _source(medium: Medium[Any], job: Path, layout: Layout | None, spec: JobSpec) -> Source:
    personal = columns_of(layout, spec.personal) if layout else ()
    return Source(medium, job, layout, personal=personal)


def _beside(job: Path, plugin: str) -> Path:
    """Return where a one-file plugin lies: where the job says, else in `plugins` beside the job."""
    beside = job.parent / "plugins" / Path(plugin).name
    return job.parent / plugin if (job.parent / plugin).is_file() else beside


def source_of_deck(deck: Path, medium: Mapping[str, object] | None, code: str | None) -> Source:
    """Return a deck as it can be read; what it lies on is found out where nobody says it.

    Args:
        deck: the file.
        medium: the table `medium` of a job; None to find out.
        code: the code; None to find out.

    Raises:
        WhichMediumError: the medium is not certain.
        UnreadableDeckError: it is no deck.
    """
    media = Media()
    if medium is not None:
        return Source(media.medium({**medium, **({"code": code} if code else {})}), deck)
    if kinds := pictures_in(deck, media):
        looked = look_at_pictures([deck], media, None, code, kinds)
        return Source(media.medium(looked.options), deck)
    opened = open_deck(deck, media, None, code)
    if opened.inner is None:
        found = opened.ranking.candidates[:2] if opened.ranking else ()
        named = " or ".join(f"--medium '{options_toml(one.options)}'" for one in found)
        known = f"{deck}: what it lies on is not certain, so that nothing is drawn; say {named}"
        msg = opened.question or known
        raise WhichMediumError(msg)
    source = Source(media.medium(opened.inner), opened.path, keeps=opened)
    if code is None:
        sources = survey([opened.path], [opened.inner], media)
        table = source.medium.code
        sample, _ = take_sample(sources, table)
        reading = reading_of(opened, sample, table, media.folders, named=False)
        if not reading.sure and reading.runner_up:
            source.rival = load_code(reading.runner_up, media.folders)
    return source


def must_read_alike(deck: Path, source: Source, cards: Mapping[int, Picked]) -> None:
    """Check that the code and its rival give the same holes and characters.

    Args:
        deck: the deck as named.
        source: the deck as it is read.
        cards: what is to be drawn.

    Raises:
        WhichMediumError: they do not, so that a person must say which is right.
    """
    ours, rival = source.medium.code, source.rival
    assert rival is not None  # noqa: S101 # as the caller asks
    config = source.medium.config.model_copy(update={"code": rival.name})
    others = picked(type(source.medium)(config, rival), source.path, list(cards))
    for number, (text, holes, _) in cards.items():
        theirs = others[number][0]
        mine, other = patterns_of(text, holes, ours), patterns_of(theirs, holes, rival)
        alike = mine is not None and other is not None and np.array_equal(mine, other)
        if not alike or printed_of(text, ours) != printed_of(theirs, rival):
            msg = (
                f"{deck}: codes {ours.name!r} and {rival.name!r} draw card {number} differently, "
                f"and the deck does not tell which is right; say --code {ours.name} or --code "
                f"{rival.name}"
            )
            raise WhichMediumError(msg)


Picked = tuple[NDArray[np.uint8], NDArray[np.uint16] | None, Said]
"""One card: uint8 (L), uint16 (L) where the medium has holes, and what the medium says of it."""


def picked(medium: Medium[Any], path: Path, wanted: Sequence[int]) -> dict[int, Picked]:
    """Return cards of a deck by their numbers, reading no more of it than is needed.

    Raises:
        NoSuchCardError: the deck has no such card.
        UnreadableDeckError: the deck cannot be read.
    """
    found = medium.survey(path, CARDS_A_SPAN)
    for number in wanted:
        if not 1 <= number <= found.cards:
            msg = f"there is no card {number}; deck {path.name!r} has cards 1 to {found.cards:,}"
            raise NoSuchCardError(msg)
    left = np.array(sorted(set(wanted)), np.int64)
    cards: dict[int, Picked] = {}
    for span in found.spans:
        here = left[(left >= span.first_card) & (left < span.first_card + span.cards)]
        if not here.size:
            continue
        for tray in medium.read(path, span, CARDS_A_TRAY):
            places = here - tray.first_card
            for place in places[(places >= 0) & (places < len(tray.text))].tolist():
                holes = None if tray.holes is None else tray.holes[place].copy()
                card = tray.first_card + place
                cards[card] = (tray.text[place].copy(), holes, _odd(tray.odd, place))
            if tray.first_card + len(tray.text) > here[-1]:
                break
    return cards


def _odd(odd: Sequence[Any], place: int) -> Said:
    said = Said()
    for one in odd:
        for at in np.flatnonzero(one.rows == place).tolist():
            column = 0 if one.columns is None else int(one.columns[at])
            said.add((column, column, one.detail), one.severity)
    return said


def card_line(
    number: int,
    card: Picked,
    code: CodeTable,
    layout: Layout | None,
    deck: str = "",
    place: int = 0,
) -> CardLine:
    """Return a card as it is drawn; deck, place: as a `CardLine` has them.

    Raises:
        NotDrawableError: it is no card of 80 columns, or its code says no holes.
    """
    text, holes, said = card
    notes = []
    if len(text) > COLUMNS:
        beyond = text[COLUMNS:]
        if (beyond != ord(" ")).any():
            last = COLUMNS + int(np.flatnonzero(beyond != ord(" "))[-1]) + 1
            msg = (
                f"card {number} reaches to column {last}; a record of more than {COLUMNS} columns "
                "is no card and cannot be drawn as one"
            )
            raise NotDrawableError(msg)
        notes.append(f"the record has {len(text)} columns; those after {COLUMNS} are blank")
    whole = text
    text, holes = text[:COLUMNS], None if holes is None else holes[:COLUMNS]
    patterns = patterns_of(text, holes, code)
    if patterns is None:
        msg = f"code {code.name!r} says no holes, so that nothing can be drawn; say another --code"
        raise NotDrawableError(msg)
    notes += notes_on(text, holes, code)
    fields = () if layout is None else fields_of(layout, whole[None])[0]
    return CardLine(
        number,
        patterns,
        printed_of(text, code),
        tuple(said.marks),
        deck,
        place,
        fields,
        tuple(notes),
        frozenset(said.asked),
    )


def layout_in(path: Path) -> Layout:
    """Return the layout in a file.

    Raises:
        ConfigError: it has faults.
    """
    return read_layout(path, path.stem)
