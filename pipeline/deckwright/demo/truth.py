"""What was done to the demo decks on purpose, and which stage is expected to find it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

NO_CARDS = "merge/master-without-card"
"""Stands for the merge's list of master records that no card met."""


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault. found_by: `stage/reason` codes, any of which counts; None = not looked for.

    A reason of `*` stands for every reason of that stage. why: for kinds that no stage looks for.
    """

    title: str
    found_by: tuple[str, ...] | None
    why: str = ""


KINDS: Mapping[str, FaultKind] = {
    "swapped-station": FaultKind(
        "station number with two digits swapped", ("validate/check-digit",)
    ),
    "unknown-station": FaultKind("station that is not on the master", ("merge/no-master",)),
    "closed-station": FaultKind(
        "cards from a station that had closed", ("validate/rule:station-open",)
    ),
    "station-without-cards": FaultKind("station that sent no cards", (NO_CARDS,)),
    "missing-total-card": FaultKind(
        "total card lost",
        None,
        "takes a stage that sees all cards of a station together",
    ),
    "doubled-card": FaultKind(
        "card punched twice",
        None,
        "takes a stage that compares cards of one key",
    ),
    "dropped-cards": FaultKind(
        "cards dropped and picked up out of order",
        None,
        "the sort puts them back; no stage reports the breaks in the serial numbers",
    ),
    "shifted-card": FaultKind("card shifted by one column", ("validate/shifted",)),
    "bad-card-sum": FaultKind("card sum that the falls do not give", ("validate/rule:card-sum",)),
    "untagged-accumulation": FaultKind(
        "fall gathered over days, not tagged, after three zeros",
        None,
        "takes a stage that knows what rain looks like over time",
    ),
    "fall-on-no-day": FaultKind(
        "zero punched for a day that the card or month does not have",
        ("validate/rule:no-eleventh-day", "validate/rule:no-day-31", "validate/rule:no-day-30"),
    ),
    "blank-zero-exchange": FaultKind(
        "blank for zero or zero for blank on a real day",
        None,
        "both may stand there, and neither changes a sum",
    ),
    "illegal-pattern": FaultKind("column with holes of no character", ("decode/*", "validate/*")),
}
"""Every kind of fault that is seeded."""


@dataclass(frozen=True, slots=True)
class SeededFault:
    """One seeded fault. cards: numbers in the deck as it arrives, none when cards are absent."""

    kind: str
    station: str
    cards: tuple[int, ...] = ()
    columns: tuple[int, int] | None = None
    stands: str = ""
    should: str = ""
    note: str = ""

    @property
    def found_by(self) -> tuple[str, ...] | None:
        """The codes that are expected to find it."""
        return KINDS[self.kind].found_by


@dataclass(frozen=True, slots=True)
class DeckTruth:
    """The truth about one deck. deck: file name; master: file name of its master."""

    deck: str
    month: str
    master: str
    cards: int
    faults: tuple[SeededFault, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth about all decks of a seed."""

    seed: int
    decks: tuple[DeckTruth, ...]

    def dump(self) -> bytes:
        """Return the truth file: JSON, one fault a line, the same bytes for the same truth."""
        decks = ",\n".join(_deck_json(deck) for deck in self.decks)
        kinds = ",\n".join(
            f"    {json.dumps(name)}: {_line(asdict(kind))}" for name, kind in KINDS.items()
        )
        about = "Seeded faults of the invented rain observers of Orrin Vale"
        return (
            f'{{\n  "about": {json.dumps(about)},\n  "seed": {self.seed},\n'
            f'  "kinds": {{\n{kinds}\n  }},\n  "decks": {{\n{decks}\n  }}\n}}\n'
        ).encode()


def load_truth(path: Path) -> Truth:
    """Read a truth file.

    Raises:
        ValueError: it is not JSON.
        KeyError: a part of it is missing.
    """
    data = json.loads(path.read_bytes())
    decks = tuple(
        DeckTruth(
            deck=name,
            month=deck["month"],
            master=deck["master"],
            cards=deck["cards"],
            faults=tuple(_fault(fault) for fault in deck["faults"]),
        )
        for name, deck in data["decks"].items()
    )
    return Truth(data["seed"], decks)


def _deck_json(deck: DeckTruth) -> str:
    faults = ",\n".join(f"        {_line(_fault_json(fault))}" for fault in deck.faults)
    head = f'"month": "{deck.month}", "master": {json.dumps(deck.master)}, "cards": {deck.cards}'
    name = json.dumps(deck.deck)
    return f'    {name}: {{\n      {head},\n      "faults": [\n{faults}\n      ]\n    }}'


def _fault_json(fault: SeededFault) -> dict[str, object]:
    return {**asdict(fault), "found_by": fault.found_by}


def _fault(data: Mapping[str, object]) -> SeededFault:
    cards, columns = data["cards"], data["columns"]
    assert isinstance(cards, list)  # noqa: S101 # written by dump
    pair = (int(columns[0]), int(columns[1])) if isinstance(columns, list) else None
    texts = {name: str(data[name]) for name in ("kind", "station", "stands", "should", "note")}
    return SeededFault(cards=tuple(cards), columns=pair, **texts)


def _line(data: object) -> str:
    return json.dumps(data, ensure_ascii=False)
