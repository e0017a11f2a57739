"""The demo as files: decks, masters, jobs, layouts and the truth."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from deckwright.demo.generator import make_deck
from deckwright.demo.punched import column_binary, patterns, text_lines
from deckwright.demo.stations import RENUMBERED_FROM, YEAR, Network, make_network
from deckwright.demo.truth import DeckTruth, Truth

SEED = 1957
"""Seed of the demo as it is shipped."""

_LAYOUTS = ("rain-observer.toml", "rain-station.toml", "rain-copy.toml")
_JOB = "orrin-vale.toml"
_JUNE_JOB = "orrin-vale-from-june.toml"
_MASTER = f"stations-{YEAR}-01.txt"
_JUNE_MASTER = f"stations-{YEAR}-06.txt"


@dataclass(frozen=True, slots=True)
class DemoFiles:
    """Where everything is. The first job and master hold until May, the second ones from June."""

    folder: Path
    decks: tuple[Path, ...]
    masters: tuple[Path, Path]
    jobs: tuple[Path, Path]
    layouts: tuple[Path, ...]
    listing: Path
    truth: Path
    readme: Path

    @property
    def job(self) -> Path:
        """The job for the decks until May."""
        return self.jobs[0]

    @property
    def master(self) -> Path:
        """The master until May."""
        return self.masters[0]

    def job_of(self, deck: Path) -> Path:
        """Return the job that a deck goes through."""
        return self.jobs[self.decks.index(deck) >= RENUMBERED_FROM - 1]


def write_demo(folder: Path, seed: int = SEED) -> DemoFiles:
    """Write the demo into a folder; a seed gives the same bytes on every machine.

    Raises:
        OSError: the folder cannot be written.
    """
    made = _places(folder)
    network = make_network(seed)
    for path in (made.listing, made.decks[0], made.masters[0], made.jobs[0], made.layouts[0]):
        path.parent.mkdir(parents=True, exist_ok=True)
    _write_masters(made, network)
    _write_configs(made)
    truths = []
    for month, path in enumerate(made.decks, 1):
        deck = make_deck(network, month, seed)
        path.write_bytes(column_binary(patterns(deck.cards)))
        if month == 1:
            made.listing.write_bytes(text_lines(deck.cards))
        master = made.masters[month >= RENUMBERED_FROM].name
        count = len(deck.cards)
        truths.append(DeckTruth(path.name, f"{YEAR}-{month:02d}", master, count, deck.settled()))
    made.truth.write_bytes(Truth(seed, tuple(truths)).dump())
    return made


def _places(folder: Path) -> DemoFiles:
    decks = [folder / "decks" / f"rain-{YEAR}-{month:02d}.cbn" for month in range(1, 13)]
    return DemoFiles(
        folder=folder,
        decks=tuple(decks),
        masters=(folder / "masters" / _MASTER, folder / "masters" / _JUNE_MASTER),
        jobs=(folder / "jobs" / _JOB, folder / "jobs" / _JUNE_JOB),
        layouts=tuple(folder / "layouts" / name for name in _LAYOUTS),
        listing=folder / "to-look-at" / f"{decks[0].stem}.txt",
        truth=folder / "truth.json",
        readme=folder / "README.txt",
    )


def _write_masters(made: DemoFiles, network: Network) -> None:
    for path, stations in zip(made.masters, (network.until_may, network.from_june), strict=True):
        path.write_bytes("".join(f"{station.card()}\n" for station in stations).encode("ascii"))


def _write_configs(made: DemoFiles) -> None:
    data = files("deckwright.demo").joinpath("data")
    for path in (*made.layouts, made.job, made.readme):
        path.write_bytes(data.joinpath(path.name).read_bytes())
    june = made.job.read_text("utf-8").replace(_MASTER, _JUNE_MASTER)
    made.jobs[1].write_text(june.replace("one month", "one month from June"), "utf-8", newline="\n")
