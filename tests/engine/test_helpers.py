"""Helper processes beside the main one."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from deckwright.engine.helpers import Helpers

LARGE = 2_000_000  # far more than a pipe holds


@pytest.mark.timeout(300)
def test_large_tasks_and_large_answers_do_not_wait_for_each_other() -> None:
    # a job of so long a name cannot be read; every task is answered with that, name and all
    recipe = SimpleNamespace(job="j" * LARGE, replaced={}, work="w")
    helpers = Helpers(1)
    try:
        ((_, pipe),) = helpers.members
        pipe.send(recipe)
        for _ in range(3):
            pipe.send(b"t" * LARGE)  # nothing is read meanwhile
        answers = [pipe.recv() for _ in range(3)]
    finally:
        helpers.close()
    assert [len(str(answer)) > LARGE for answer in answers] == [True, True, True]
