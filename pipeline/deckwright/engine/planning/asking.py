"""Group stages that ask for the cards of their groups which earlier stages returned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from deckwright.engine.planning.cutting import Step
from deckwright.engine.planning.sortkeys import KeyPlan
from deckwright.plugin.stages import FieldShape, GroupStage, OptionProblem, SortKey

_NUMBERS = ("whole", "decimal")


@dataclass(frozen=True, slots=True)
class Asking:
    """One of them. sums: fields to be added up, with what is known of each."""

    step: Step
    keys: KeyPlan
    sums: dict[str, FieldShape]


def asking_of(step: Step) -> Asking | None:
    """Return what a stage asks for; None = nothing.

    Raises:
        OptionProblem: it asks for the sum of a field that is not there or is no number.
    """
    stage = step.stage
    if not isinstance(stage, GroupStage) or (names := stage.returned_sums()) is None:
        return None
    sums = {name: step.before.need(name) for name in names}
    for name, shape in sums.items():
        if shape.kind not in _NUMBERS:
            what = f"field {name!r} of kind {shape.kind} has no sum over returned cards"
            raise OptionProblem(what)
    keys = [SortKey(name) for name in stage.group_fields()]
    return Asking(step, KeyPlan(keys, step.before), sums)


def all_asking(steps: Sequence[Step]) -> tuple[Asking, ...]:
    """Return all that the stages of a chain ask for."""
    return tuple(asking for step in steps if (asking := asking_of(step)) is not None)
