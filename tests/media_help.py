"""What the tests of media share: reading decks cut anywhere, and joining what comes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, settings

from deckwright import Medium, RawTray, Survey, UnreadableDeckError
from deckwright.cards.codes import load_code

property_test = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def medium(kind: type[Medium[Any]], **options: Any) -> Any:
    """Return a medium of this class."""
    config = kind.config_model(**options)
    return kind(config, load_code(config.code))


def trays(
    made: Medium[Any], deck: Path, span: int = 1000, tray: int = 1000
) -> tuple[Survey, list[RawTray]]:
    """Survey and read a deck."""
    survey = made.survey(deck, span)
    return survey, [part for stretch in survey.spans for part in made.read(deck, stretch, tray)]


def read(made: Medium[Any], deck: Path, data: bytes) -> RawTray:
    """Write a deck and read it as one tray."""
    deck.write_bytes(data)
    survey, (found,) = trays(made, deck)
    assert (survey.cards, survey.width) == found.text.shape
    return found


def whole(parts: list[RawTray]) -> tuple[Any, ...]:
    """Join trays: text, holes, lengths, and what is odd by card number."""
    width = parts[0].text.shape[1]
    sizes = [np.full(len(p.text), width) if p.lengths is None else p.lengths for p in parts]
    odd = sorted(
        (
            p.first_card + int(row),
            o.reason,
            o.severity,
            o.detail,
            0 if o.columns is None else int(o.columns[place]),
            b"" if o.records is None else o.records[place],
        )
        for p in parts
        for o in p.odd
        for place, row in enumerate(o.rows)
    )
    holes = [p.holes for p in parts if p.holes is not None]
    return (
        np.concatenate([p.text for p in parts]).tobytes(),
        np.concatenate(holes).tobytes() if holes else None,
        np.concatenate(sizes).tolist(),
        odd,
    )


def written_back(made: Medium[Any], parts: list[RawTray]) -> bytes:
    """Write cards as they came: odd ones by their records, all others by text and holes."""
    pieces = []
    for part in parts:
        records = {
            int(row): record
            for odd in part.odd
            for row, record in zip(odd.rows, odd.records or [], strict=False)
        }
        for row in range(len(part.text)):
            if row in records:
                pieces.append(made.record(records[row]))
                continue
            cut = slice(row, row + 1)
            holes = None if part.holes is None else part.holes[cut]
            lengths = None if part.lengths is None else part.lengths[cut]
            pieces.append(made.encode(part.text[cut], holes, lengths, made.code.alphabet))
    return b"".join(pieces)


def same_however_cut(make: Any, deck: Path, span: int, tray: int) -> list[RawTray]:
    """Check that cuts do not matter, nor which process reads; return the trays uncut."""
    _, uncut = trays(make(), deck)
    survey, cut = trays(make(), deck, span, tray)
    assert whole(cut) == whole(uncut)
    apart = [part for one in survey.spans for part in make().read(deck, one, tray)]
    assert whole(apart) == whole(uncut)
    assert all(len(part.text) <= tray for part in cut)
    firsts = np.cumsum([1, *(len(part.text) for part in cut)]).tolist()
    assert [part.first_card for part in cut] == firsts[:-1]
    assert sum(one.cards for one in survey.spans) == survey.cards == firsts[-1] - 1
    return uncut


def must_be_one_sentence(error: UnreadableDeckError) -> None:
    """Check that an error is one printable line that names the deck."""
    assert str(error).startswith("deck ")
    assert str(error).isprintable()
