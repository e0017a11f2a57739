"""A service whose power fails at any moment loses nothing, and keeps to what it has said."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import cache

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from service.kit import quick_room
from service.kit_power import Judge, Trace, flush_of, record, states
from service.power_model import ORDERS, Entries, Op, Order, after, cut, moments
from service.scenarios import STORIES
from sets import first_line

recorded = cache(record)
"""Stories as they go when nobody cuts the power."""

A_MODEL = 20_000
"""States that the long set judges for each order in which entries reach the disk."""


@pytest.fixture(scope="module")
def judge_of() -> Iterator[Callable[[str], Judge]]:
    """Give a judge for each story, who knows how it ends undisturbed."""
    with ExitStack() as rooms:

        def judge(story: str) -> Judge:
            made = Judge(story, rooms.enter_context(quick_room()))
            made.begin()
            return made

        yield cache(judge)


def assert_well(judge: Judge) -> None:
    """Fail when a state was found bad."""
    bad, judge.bad = judge.bad, []
    assert not bad, f"{len(bad)} of {len(judge.seen)} states: {bad[0]}"


# ---- the power fails once


@pytest.mark.parametrize("story", first_line(STORIES, "plain", "returned", "duplicate"))
def test_wherever_the_power_fails_a_story_ends_as_if_it_had_not(story, judge_of, counts):
    judge, chance = judge_of(story), random.Random(story)  # noqa: S311 # repeatable
    for order, state in states(recorded(story).ops, chance, 2):
        judge.look(state, order)
    counts(states=len(judge.seen))
    assert_well(judge)
    assert len(judge.seen) > 60


# ---- it fails when the service was killed before, or the power had failed before


@pytest.mark.slow
@pytest.mark.parametrize("story", ["hold", "master"])
def test_a_rename_before_a_kill_is_permanent_before_anything_is_said_of_it(story, judge_of, counts):
    judge, chance = judge_of(story), random.Random(story)  # noqa: S311 # repeatable
    steps = recorded(story).steps
    kills = [
        number for number, name in enumerate(steps, start=2) if name in {"rename_new", "replace"}
    ]
    for kill in kills:
        ops = recorded(story, kill).ops
        for order, state in states(ops, chance, 1, moments(ops)[kill % 16 :: 16]):
            judge.look(state, order)
    counts(kills=len(kills), states=len(judge.seen))
    assert_well(judge)
    assert len(kills) > 6


@pytest.mark.slow
@settings(max_examples=40, deadline=None, phases=[Phase.generate, Phase.shrink],
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(data=st.data(), story=st.sampled_from(list(STORIES)), order=st.sampled_from(ORDERS),
       chance=st.randoms(use_true_random=True))  # fmt: skip
def test_killed_once_and_then_without_power_it_ends_as_if_it_had_not(
    data, story, order, chance, judge_of
):
    kill = data.draw(st.integers(1, len(recorded(story).steps)), label="killed before step")
    ops = recorded(story, kill).ops
    moment = data.draw(st.sampled_from(moments(ops)), label="power fails after")
    judge = judge_of(story)
    for _ in range(4):
        judge.look(cut(after(ops, moment, order), chance), order)
    assert_well(judge)


@pytest.mark.slow
@settings(max_examples=40, deadline=None, phases=[Phase.generate, Phase.shrink],
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(data=st.data(), story=st.sampled_from(list(STORIES)), order=st.sampled_from(ORDERS),
       chance=st.randoms(use_true_random=True))  # fmt: skip
def test_without_power_a_second_time_it_ends_as_if_it_had_not(data, story, order, chance, judge_of):
    ops = recorded(story).ops
    moment = data.draw(st.sampled_from(moments(ops)), label="power fails after")
    ops = record(story, state=cut(after(ops, moment, order), chance)).ops
    moment = data.draw(st.sampled_from(moments(ops)), label="and then after")
    judge = judge_of(story)
    for _ in range(4):
        judge.look(cut(after(ops, moment, order), chance), order)
    assert_well(judge)


# ---- very many states


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("order", ORDERS)
def test_very_many_states_of_a_disk_lead_to_the_same_end(order, judge_of, counts):
    chance = random.Random(order)  # noqa: S311 # repeatable
    judged = 0
    while judged < A_MODEL:
        story = chance.choice(list(STORIES))
        judge, before = judge_of(story), len(judge_of(story).seen)
        for state in some(
            record(story, chance.randint(0, len(recorded(story).steps))), order, chance
        ):
            judge.look(state, order)
        judged += len(judge.seen) - before
        assert_well(judge)
    counts(states=judged)


def some(trace: Trace, order: Order, chance: random.Random):
    """Yield two states for every third moment of a trace."""
    for moment in moments(trace.ops)[chance.randint(0, 2) :: 3]:
        disk = after(trace.ops, moment, order)
        yield from (cut(disk, chance) for _ in range(2))


# ---- the model itself


NEEDED: dict[str, tuple[str, str, str]] = {
    "the deck, before it is taken": ("plain", "inbox/cards/RUN", "inbox/cards/RUN"),
    "the claim": ("plain", "work/RUN/claim.json", "work/RUN/claim.json"),
    "the run's folder, before the deck comes": ("plain", "work/RUN", "work/RUN/claim.json"),
    "work, before the deck comes": ("plain", "work", "work/RUN/claim.json"),
    "an output": ("plain", "work/RUN/out.1/out/cards.txt", "work/RUN/out.1/out/cards.txt"),
    "the folder of the outputs": ("plain", "work/RUN/out.1/out", "work/RUN/out.1/out/cards.txt"),
    "the manifest": ("plain", "work/RUN/manifest.tmp", "work/RUN/manifest.tmp"),
    "the run's folder, before it is done": ("plain", "work/RUN", "work/RUN/manifest.tmp"),
    "the reasons": ("returned", "work/RUN/reasons.tmp", "work/RUN/reasons.tmp"),
    "the run's folder, before it is returned": ("returned", "work/RUN", "work/RUN/reasons.tmp"),
}
"""What must be flushed: the story, the path, and since what else was flushed."""

ALSO_NEEDED: dict[str, tuple[str, str, str]] = {
    "the run folder": ("plain", "work/RUN/out.1", "work/RUN/out.1/manifest.json"),
    "its manifest": ("plain", "work/RUN/out.1/manifest.json", "work/RUN/out.1/manifest.json"),
    "the reasons in words": ("returned", "work/RUN/reasons.txt", "work/RUN/reasons.txt"),
    "the folder of masters": ("master", "master", "work/RUN/claim.json"),
    "the next master": ("master", "master/stock/next", "work/RUN/manifest.tmp"),
    "the master's folder": ("master", "master/stock", "work/RUN/manifest.tmp"),
    "the copy of a deck": ("requeue", "tmp/RUN/deck", "tmp/RUN/deck"),
    "the folder of a copy": ("requeue", "tmp/RUN", "tmp/RUN/claim.json"),
}


def finds(story: str, ops: list[Op], since: int) -> bool:
    """Tell whether a state is found bad that a power cut leaves after a part of a trace."""
    chance = random.Random(story)  # noqa: S311 # repeatable
    with quick_room() as room:
        judge = Judge(story, room)
        judge.begin()
        for moment in [each for each in moments(ops) if each >= since][:60]:
            for order in ORDERS:
                disk = after(ops, moment, order)
                for _ in range(12):
                    judge.look(cut(disk, chance), order)
                    if judge.bad:
                        return True
    return False


@pytest.mark.parametrize(
    "what", first_line({**NEEDED, **ALSO_NEEDED}, "the claim", "the manifest", "the reasons")
)
def test_the_model_finds_out_that_one_flush_is_missing_of(what):
    story, path, since = {**NEEDED, **ALSO_NEEDED}[what]
    trace = recorded(story)
    number = flush_of(trace.ops, path, since)
    assert finds(story, trace.without(number), number)


@pytest.mark.parametrize(("story", "state"), [("plain", "done"), ("returned", "returned")])
def test_the_model_finds_out_that_something_was_said_too_soon(story, state):
    trace = recorded(story)
    since = f"work/RUN/{'manifest' if state == 'done' else 'reasons'}.tmp"
    numbers = [flush_of(trace.ops, place, since) for place in (state, "work")]
    assert finds(story, trace.without(*numbers), min(numbers))


def test_the_model_finds_out_that_renames_are_two_steps():
    apart: list[Op] = []
    for op in recorded("plain").ops:
        both = isinstance(op, Entries) and len(op.changes) > 1
        apart += [Entries((change,)) for change in op.changes] if both else [op]
    assert finds("plain", apart, 30)


def test_there_are_as_many_needed_flushes_as_steps_that_rest_on_one():
    assert len(NEEDED) == 10
