"""Where faults gather, as pictures: along the columns of the cards, and along the run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from deckwright.report.html import drawn
from deckwright.report.model import FaultPlaces, card_name
from deckwright.wording import percent, plural

Counts = NDArray[np.int64]

_HIGH = 40
_LEAST = 1.2  # high: what is rare must be seen too
_MOST_NAMED = 4
_BATCH_SHARE, _BATCH_LENGTH = 0.8, 0.25
_NEARLY_EVERY = 0.9  # of the cards from one on, that came back
_OF_ALL = 0.8  # of the returned cards, that must lie there
_FEWEST = 5  # cards, of which "nearly every" can be said
_CARD = 80


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture and what it shows. most: the figure at its upper edge; ends: of its axis."""

    svg: Markup
    says: str
    most: str
    ends: tuple[str, str]
    is_card: bool = False


def column_plot(places: FaultPlaces) -> Plot | None:
    """Return a bar for each column, as high as faults in it are many; None where there are none."""
    counts = places.columns
    if not counts.any():
        return None
    often = [int(at) for at in np.argsort(-counts, kind="stable")[:_MOST_NAMED] if counts[at]]
    named = "; ".join(f"column {at + 1} ({plural(int(counts[at]), 'fault')})" for at in often)
    picture = _bars(counts / counts.max(), f"Faults in each column. Most: {named}.")
    ends = ("column 1", f"column {len(counts):,}")
    most = plural(int(counts.max()), "fault")
    return Plot(picture, f"Most faults: {named}.", most, ends, is_card=len(counts) == _CARD)


def order_plot(places: FaultPlaces) -> Plot | None:
    """Return a bar for each stretch of the run, as high as its share of returned cards."""
    if not places.order.any():
        return None
    shares = places.order / np.maximum(places.sizes, 1)
    says = _from_one_on(places) or _batch(places)
    alone = len(places.decks) == 1
    lines = [] if alone else [_at(first, places) for _, first in places.decks[1:]]
    total = int(places.sizes.sum())
    ends = ("first card", f"last card ({total:,})")
    named = f"Share of returned cards along the run, from the first card to the last. {says}"
    return Plot(_bars(shares / shares.max(), named, lines), says, percent(shares.max()), ends)


def _bars(heights: NDArray[np.float64], title: str, lines: Sequence[float] = ()) -> Markup:
    """Return bars from 0 to 1 high; lines: where upright lines stand, in bars from the left."""
    path = "".join(
        f"M{at}.1 {_HIGH}v-{max(_LEAST, _HIGH * height):.4g}h.8V{_HIGH}z"
        for at, height in enumerate(heights.tolist())
        if height
    )
    wide = len(heights)
    rules = "".join(f"M{line:.4g} 0V{_HIGH}" for line in lines)
    borders = f'<path d="{rules}" class="border" vector-effect="non-scaling-stroke"/>'
    # every figure in the title is a number or one of our own words
    return drawn(
        f'<svg viewBox="0 0 {wide} {_HIGH}" preserveAspectRatio="none" role="img" '
        f'aria-label="{title}"><path d="M0 {_HIGH}H{wide}M0 0H{wide}" class="axis" '
        f'vector-effect="non-scaling-stroke"/>{borders if rules else ""}'
        f'<path d="{path}" fill="currentColor"/></svg>'
    )


def _at(card: int, places: FaultPlaces) -> float:
    return (card - 1) / max(1, int(places.sizes.sum())) * len(places.sizes)


def _from_one_on(places: FaultPlaces) -> str:
    """Return from which card on nearly every card came back; "" where that cannot be said."""
    returned = places.order[::-1].cumsum()[::-1]
    cards = places.sizes[::-1].cumsum()[::-1]
    # where those that came back outnumber the others most
    at = int(np.argmax(2 * returned - cards))
    ends = places.sizes.cumsum()
    before = int(places.order[at - 1]) if at else 0
    if before and before >= _NEARLY_EVERY * (ends[at - 1] + 1 - places.firsts[at - 1]):
        at -= 1  # it begins at the end of the stretch before
    first, many = int(places.firsts[at]), int(returned[at])
    there = int(ends[-1]) - first + 1
    if there < _FEWEST or many < max(_NEARLY_EVERY * there, _OF_ALL * returned[0]):
        return ""
    if first == 1:
        return f"Nearly every card came back, from the first to the last ({many:,} of {there:,})."
    return (
        f"From {_name(first, places)} on nearly every card came back ({many:,} of {there:,}): "
        "look at what begins there."
    )


def _batch(places: FaultPlaces) -> str:
    """Return whether most of the returned cards lie together, and where."""
    total = int(places.order.sum())
    ends = np.cumsum(places.order)
    before = ends - places.order
    wanted = _BATCH_SHARE * total
    # for each stretch the first one up to which enough cards have come back
    last = np.searchsorted(ends, before + wanted)
    fits = np.flatnonzero(last < len(ends))
    lengths = last[fits] - fits + 1
    starts = np.concatenate([[0], np.cumsum(places.sizes)])
    if len(fits) and total > 1:
        first = int(fits[np.argmin(lengths)])
        stop = int(last[first])
        if stop - first + 1 <= _BATCH_LENGTH * len(places.order):
            cards = int(ends[stop] - before[first])
            start, end = _name(int(starts[first]) + 1, places), _name(int(starts[stop + 1]), places)
            return (
                f"{cards:,} of the {total:,} lie together, from {start} to {end}: look for one bad "
                "batch."
            )
    return "They are spread over the run; no single batch stands out."


def _name(card: int, places: FaultPlaces) -> str:
    several = len(places.decks) > 1
    deck, first = next(one for one in reversed(places.decks) if one[1] <= card)
    name = card_name(card, deck if several else "", card - first + 1)
    return name[0].lower() + name[1:]
