"""The chain cut into passes: stretches of stages that need no re-ordering."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from deckwright.engine.planning.sortkeys import KeyPlan
from deckwright.layout.personal import Personal
from deckwright.plugin.scans import ScanStage
from deckwright.plugin.stages import FinishStage, GroupStage, Known, SortKey, SortStage, Stage


@dataclass(frozen=True, slots=True)
class Step:
    """One stage of a chain in its place. number: from 1; before, after: what is known of its cards.

    personal: what of it may be seen in deliveries that name it only.
    """

    number: int
    kind: str
    stage: Stage[Any]
    origin: str
    before: Known
    after: Known = field(default_factory=Known)
    personal: Personal = field(default_factory=Personal)

    @property
    def label(self) -> str:
        """Return `stage 3 (sort)`."""
        return f"stage {self.number} ({self.kind})"


@dataclass(frozen=True, slots=True)
class Pass:
    """A stretch of stages that need no re-ordering.

    sort: the step whose order the cards are in when they come in, None for arrival order.
    resumes: cards come in as the pass before left them. routes: keys that lead on to the next
    pass. groups: keys whose equal values stay in one tray. scan: its first step, when that must
    know what went before. runs: keys of its first step, when that takes groups that lie together in
    the order of the cards. folds, edges: scan or runs with which the next pass begins; what it must
    know is made up here, of the cards that go on.
    """

    number: int
    steps: tuple[Step, ...]
    sort: Step | None = None
    keys: KeyPlan | None = None
    resumes: bool = False
    routes: KeyPlan | None = None
    last: bool = True
    groups: KeyPlan | None = None
    scan: Step | None = None
    folds: Step | None = None
    runs: KeyPlan | None = None
    edges: KeyPlan | None = None


@dataclass(slots=True)
class _Cut:
    """A pass in the making."""

    steps: list[Step] = field(default_factory=list)
    sort: Step | None = None
    scan: Step | None = None
    runs: KeyPlan | None = None


def scan_of(step: Step) -> ScanStage[Any, Any] | None:
    """Return the stage of a step that must know what went before; None for any other."""
    return step.stage if isinstance(step.stage, ScanStage) and step.stage.scans else None


def cut_into_passes(steps: list[Step]) -> list[Pass]:
    """Cut the chain: a sort begins a pass; so does a scan, whose state the pass before makes up."""
    cuts = [_Cut()]
    for step in steps:
        if isinstance(step.stage, FinishStage):
            continue  # no card comes to it
        if isinstance(step.stage, SortStage):
            cuts.append(_Cut(sort=step))
        elif scan_of(step):
            cuts.append(_Cut([step], scan=step))
        elif isinstance(step.stage, GroupStage) and comes_in_runs(step, steps):
            fields = [SortKey(name) for name in step.stage.group_fields()]
            cuts.append(_Cut([step], runs=KeyPlan(fields, step.before)))
        else:
            cuts[-1].steps.append(step)
    passes: list[Pass] = []
    order: KeyPlan | None = None
    for number, cut in enumerate(cuts, 1):
        following = cuts[number] if number < len(cuts) else None
        routes = groups = None
        if following and following.sort:
            # cards of one group must come to one range, so only the group's keys may part them
            routes = _keys(following.sort, _grouped(cuts[number:]))
        if cut.sort:
            order = _keys(cut.sort)
            grouped = _grouped(cuts[number - 1 :])
            groups = _keys(cut.sort, grouped) if grouped else None
        passes.append(
            Pass(
                number,
                tuple(cut.steps),
                cut.sort,
                order,
                resumes=number > 1 and cut.sort is None,
                routes=routes,
                last=following is None,
                groups=groups,
                scan=cut.scan,
                folds=following.scan if following else None,
                runs=cut.runs,
                edges=following.runs if following else None,
            )
        )
    return passes


def _grouped(cuts: list[_Cut]) -> int:
    """Return how many major keys make the widest group until the next sort; 0 = no groups."""
    fewest = 0
    for place, cut in enumerate(cuts):
        if cut.sort and place:
            break
        for step in cut.steps[1:] if cut.runs else cut.steps:
            if isinstance(step.stage, GroupStage):
                size = len(step.stage.group_fields())
                fewest = min(fewest, size) if fewest else size
    return fewest


def _keys(step: Step, first: int = 0) -> KeyPlan:
    assert isinstance(step.stage, SortStage)  # noqa: S101 # asked for by the caller
    keys = step.stage.keys()
    return KeyPlan(keys[:first] if first else keys, step.before)


def comes_in_runs(step: Step, steps: list[Step]) -> bool:
    """Return whether a group stage takes groups as they lie: no sort on its fields has made them.

    A stage behind another that takes runs does too, since trays are cut anew there.
    """
    stage = step.stage
    assert isinstance(stage, GroupStage)  # noqa: S101 # asked for by the caller
    wanted = stage.group_fields()
    for other in reversed(steps[: step.number - 1]):
        if isinstance(other.stage, SortStage):
            return not _sorts_on(other.stage, wanted)
        if isinstance(other.stage, GroupStage) and comes_in_runs(other, steps):
            return True
    return True


def _sorts_on(stage: SortStage[Any], fields: list[str]) -> bool:
    keys = [key.field for key in stage.keys()]  # noqa: SIM118 # not a dict
    return set(keys[: len(fields)]) == set(fields)


def group_fault(step: Step, earlier: list[Step]) -> str:
    """Return what is wrong with the place of a group stage in the chain; "" = nothing.

    A sort on other fields takes groups apart, unless a later stage has made the fields.
    """
    stage = step.stage
    assert isinstance(stage, GroupStage)  # noqa: S101 # asked for by the caller
    wanted = stage.group_fields()
    for other in reversed(earlier):
        if isinstance(other.stage, SortStage):
            if _sorts_on(other.stage, wanted) or not set(wanted) <= set(other.before.fields):
                break
            return f"needs the cards sorted on {', '.join(wanted)} first"
    return ""
