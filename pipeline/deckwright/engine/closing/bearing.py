"""How many returned cards a run bears: by stage, and all stages together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from deckwright.engine.passes.accounts import Count
from deckwright.engine.planning.plan import Plan, Step
from deckwright.plugin.stages import FEW
from deckwright.plugin.values import DeckPart


@dataclass(frozen=True, slots=True)
class Overdone:
    """More cards failed than is borne. step: the stage that returned most; seen: of so many.

    deck: of which named deck they are; empty where all decks count together.
    """

    step: Step
    stages: str
    returned: int
    seen: int
    limit: str
    deck: str = ""


def overdone(
    steps: Sequence[Step], counts: Mapping[int, Count], cards: int, *, ended: bool
) -> Overdone | None:
    """Return where more cards failed than a stage bears; None = nowhere.

    Cards that were set aside are no data, so they count neither as failed nor as good.

    Args:
        steps: the chain.
        counts: the accounts so far, by number of the step.
        cards: cards of the run.
        ended: whether the accounts of these steps are complete. Before that, cards still to come
            may be set aside, and few cards have a limit of their own.
    """
    data = cards
    for step in steps:
        count = counts.get(step.number, Count())
        data -= count.set_aside
        if not ended and count.returned < FEW:
            continue
        most = step.stage.most_returned(data)
        if most is not None and count.returned > most.cards:
            return Overdone(step, step.label, count.returned, count.arrived, most.text)
    return None


def deck_overdone(
    plan: Plan, counts: Mapping[tuple[int, str], Count], parts: Sequence[DeckPart], *, ended: bool
) -> Overdone | None:
    """Return where more cards of a named deck failed than a stage bears; None = nowhere.

    Args:
        plan: the job.
        counts: the accounts so far, by number of the step and deck.
        parts: the files of the run.
        ended: as for `overdone`.
    """
    for deck in (named.name for named in plan.named):
        data = sum(part.cards for part in parts if part.of == deck)
        for step in plan.steps:
            count = counts.get((step.number, deck), Count())
            data -= count.set_aside
            if not ended and count.returned < FEW:
                continue
            first = plan.decks if step.number == 1 else None
            most = first.most_of(deck, data) if first else step.stage.most_returned(data)
            if most is not None and count.returned > most.cards:
                label = f"{step.label}, deck {deck!r}"
                return Overdone(step, label, count.returned, count.arrived, most.text, deck)
    return None


def all_failed(steps: Sequence[Step], counts: Mapping[int, Count], cards: int) -> Overdone | None:
    """Return how every card failed, in one stage or another, though none of these allows it.

    A stage allows it that has no limit, or one as large as the deck; one card alone may fail.
    """
    accounts = [(step, counts.get(step.number, Count())) for step in steps]
    data = cards + sum(count.added - count.set_aside for _, count in accounts)
    failing = [(step, count.returned) for step, count in accounts if count.returned]
    returned = sum(amount for _, amount in failing)
    if returned < data or data < 2:  # noqa: PLR2004 # one card alone
        return None
    limits = [most for step, _ in failing if (most := step.stage.most_returned(data))]
    if len(limits) < len(failing) or any(most.cards >= data for most in limits):
        return None
    worst, _ = max(failing, key=lambda pair: pair[1])
    together = " together" if len(failing) > 1 else ""
    stages = " and ".join(step.label for step, _ in failing) + together
    return Overdone(worst, stages, returned, data, limits[0].text)
