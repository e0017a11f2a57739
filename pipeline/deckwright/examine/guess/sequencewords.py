"""What is said of running numbers."""

from __future__ import annotations

from collections.abc import Sequence

from deckwright.examine.guess.measuring import ranges
from deckwright.examine.model import SequenceFacts
from deckwright.wording import percent


def sequence_sentence(facts: SequenceFacts) -> str:
    """Return how the numbers of a field run, with figures."""
    pairs = max(1, facts.numbers - 1)
    if facts.shuffled:
        said = (
            f"{facts.numbers:,} numbers from {facts.start:,} to {facts.end:,}, hardly one twice: "
            f"sorted, {percent(facts.follow / pairs)} go up by {facts.step:,}, but the cards do "
            "not lie in this order"
        )
    else:
        said = (
            f"{percent(facts.follow / pairs)} of {facts.numbers:,} cards follow the one before by "
            f"{facts.step:,}, from {facts.start:,} to {facts.end:,}"
        )
    parts = [
        _counted(facts.gaps, "gap", facts.gap_cards),
        _counted(facts.step_downs, "step-down", facts.step_down_cards),
        _counted(facts.doubles, "double", facts.double_cards),
        _counted(facts.unread, "card without a number", facts.unread_cards, "cards without"),
    ]
    if facts.sections:
        held = f"column{'' if len(facts.sections) == 1 else 's'} {ranges(facts.sections)}"
        parts.insert(0, f"begins anew {facts.again:,} times, whenever {held} changes")
        if len(facts.sections) > 1:
            parts[0] = parts[0].removesuffix("s")
    if facts.restarts:
        parts.append("every step-down begins with the same number again")
    return "; ".join([said, *(part for part in parts if part)])


def _counted(count: int, one: str, cards: Sequence[int], many: str = "") -> str:
    if not count:
        return f"no {one}"
    words = one if count == 1 else (f"{many} a number" if many else f"{one}s")
    shown = ", ".join(f"{card:,}" for card in cards[:3])
    more = ", ..." if count > 3 else ""  # noqa: PLR2004 # as shown
    return f"{count:,} {words} (card {shown}{more})" if shown else f"{count:,} {words}"
