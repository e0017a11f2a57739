"""What senders and operators do in the tests that cut a service off, and how it is driven.

An uninterrupted and a cut-off service are driven by the same function. What the outside does is
noted outside of the workspace, so that a service that starts again meets the same outside.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from deckwright.errors import RestartError
from deckwright.service.store.ledger import LedgerError
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import run_prefix
from service.contract import Dropped
from service.kit import CARDS, FIRST_MASTER, LATE_BYTES, STOCK, ask, drop, sha256, started

Deck = tuple[str, bytes]
Act = Callable[[Path], None]

_A: Deck = ("a.deck", b"first card of a\nsecond card of a\n")
_B: Deck = ("b.deck", b"the only card of b\n")
_BAD: Deck = ("bad.deck", b"!deck\n")
_FLAKY: Deck = ("flaky.deck", b"!flaky 1\ncard\n")
_FAILING: Deck = ("failing.deck", b"!stage\n")
_LYING: Deck = ("lying.deck", b"!lie\n")
_SLOW: Deck = ("slow.deck", b"!slow\n")
_FEW = (_A, _B, _BAD, _FLAKY)
_MANY = tuple((f"{number:02}.deck", b"card %d\n" % number) for number in range(11))
_FIFTY = tuple((f"m{number:02}.deck", b"item %d,1\n" % number) for number in range(50))
_MOVES = _FIFTY[:5]


@dataclass(frozen=True, slots=True)
class Step:
    """What the outside does at one time, and whether the service then gets time to wait."""

    acts: tuple[Act, ...]
    waits: bool = True
    decks: tuple[Deck, ...] = ()


@dataclass(frozen=True, slots=True)
class Scenario:
    """A story. ended: how many decks are done and returned at its end.

    grown: what decks to which somebody writes late are in the end. tries_vary: a cut counts as a
    try, so that reasons which list the tries may differ.
    """

    steps: tuple[Step, ...]
    ended: tuple[int, int]
    master: bytes = b""
    grown: tuple[Deck, ...] = ()
    tries_vary: bool = False

    def dropped(self, steps: int) -> Dropped:
        """Return what was laid in the inbox in the first steps."""
        decks = [deck for step in self.steps[:steps] for deck in step.decks]
        grown = dict(self.grown)
        if not grown:
            return decks
        return {name: (data, grown[name]) if name in grown else data for name, data in decks}


def run_of(deck: Deck, number: int = 1) -> str:
    """Return the name of a run of a deck."""
    name, data = deck
    return f"{run_prefix(sha256(data), name.encode())}-{number}"


def dropping(*decks: Deck, job: str = CARDS, waits: bool = True) -> Step:
    """Return the step in which decks are laid in the inbox."""
    acts = tuple(partial(drop, name=name, data=data, job=job) for name, data in decks)
    return Step(acts, waits, decks)


def marking(suffix: str, *decks: Deck) -> Step:
    """Return the step in which decks are laid in the inbox after their ready-markers."""
    marks = tuple(
        partial(drop, name=f"{name}{suffix}", data=sha256(data).encode()) for name, data in decks
    )
    step = dropping(*decks)
    return Step((*marks, *step.acts), decks=decks)


def asking(wish: str, what: str, *, waits: bool = True) -> Step:
    """Return the step in which an operator asks for something."""
    return Step((partial(ask, wish=wish, what=what),), waits)


def _late(deck: Deck) -> Deck:
    return deck[0], deck[1] + LATE_BYTES


def _moved(runs: int) -> bytes:
    return FIRST_MASTER + b"".join(data for _, data in _FIFTY[:runs])


def _write_late(root: Path) -> None:
    with (root / "done" / run_of(_A) / "deck").open("ab") as file:
        file.write(LATE_BYTES)


STORIES = {
    "plain": Scenario((dropping(_A, _B),), (2, 0)),
    "master": Scenario((dropping(*_MOVES[:3], job=STOCK),), (3, 0), master=_moved(3)),
    "returned": Scenario((dropping(_BAD, _A),), (1, 1)),
    "marked": Scenario((marking(".ok", _A), marking(".sha256", _B, _BAD)), (2, 1)),
    "duplicate": Scenario((dropping(_A), dropping(_A)), (1, 1)),
    "retry": Scenario((dropping(_FLAKY, _B),), (2, 0)),
    "failing": Scenario((dropping(_FAILING, _LYING),), (0, 2), tries_vary=True),
    "requeue": Scenario(
        (dropping(_A, _BAD), asking("requeue", run_of(_A)), asking("requeue", run_of(_BAD))), (1, 1)
    ),
    "hold": Scenario(
        (
            dropping(_FLAKY, waits=False),
            asking("hold", run_of(_FLAKY), waits=False),
            asking("hold", CARDS, waits=False),
            dropping(_A),
            asking("resume", run_of(_FLAKY)),
            asking("resume", CARDS),
        ),
        (2, 0),
    ),
    "written to while it runs": Scenario((dropping(_SLOW, _A),), (2, 0), grown=(_late(_SLOW),)),
    "written to when it is done": Scenario(
        (dropping(_A, _B), Step((_write_late,))), (2, 0), grown=(_late(_A),)
    ),
}
"""Stories of which every step is cut off."""

TWENTY = Scenario(
    (
        Step(
            (*dropping(*_FEW, *_MANY).acts, *dropping(*_MOVES, job=STOCK).acts),
            decks=(*_FEW, *_MANY, *_MOVES),
        ),
    ),
    (19, 1),
    master=_moved(5),
)
"""A story that is cut off at random times."""

FIFTY = Scenario((dropping(*_FIFTY, job=STOCK),), (50, 0), master=_moved(50))
"""A master that moves on fifty times."""

SCENARIOS: dict[str, Scenario] = {**STORIES, "twenty": TWENTY, "fifty": FIFTY}
"""All stories by name."""


def drive(root: Path, scenario: Scenario, fs: Fs | None = None, starts: int = 1) -> None:
    """Serve a workspace through a story, from wherever it was cut off.

    Args:
        root: the workspace; how far the story has come is noted beside it.
        scenario: the story.
        fs: takes every step.
        starts: how often the service may end by itself and be started again.

    Raises:
        RestartError, LedgerError, OSError: it ended by itself once too often.
    """
    for left in reversed(range(starts)):
        try:
            _drive(root, scenario, fs)
        except (RestartError, LedgerError, OSError):
            if not left:
                raise
        else:
            return


def _drive(root: Path, scenario: Scenario, fs: Fs | None) -> None:
    done = steps_done(root)
    with started(root, fs) as rig:
        for number, step in enumerate(scenario.steps, start=1):
            if number > done:
                act_out(root, scenario, number)
            if number >= done:
                rig.step_all() if step.waits else rig.step_due()


def act_out(root: Path, scenario: Scenario, number: int) -> None:
    """Do what the outside does in a step, counted from 1, and note it."""
    for act in scenario.steps[number - 1].acts:
        act(root)
    _note(root).write_bytes(b"." * number)


def steps_done(root: Path) -> int:
    """Return how many steps the outside has done."""
    return _note(root).stat().st_size if _note(root).exists() else 0


def _note(root: Path) -> Path:
    return root.with_name(f"{root.name}.steps-done")


if __name__ == "__main__":
    drive(Path(sys.argv[2]), SCENARIOS[sys.argv[1]])
