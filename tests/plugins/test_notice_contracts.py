"""The contract for notices, held by that of the program, and what it finds in wrong ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from deckwright import Notice, NoticeConfig
from deckwright.service.outward.notices import FACTS
from deckwright.testing import NoticeContract
from deckwright.testing.notices import EVENTS
from deckwright_plugins.notices.append_line import AppendLine


class TestAppendLine(NoticeContract):
    notice = AppendLine
    options = {"file": "heard.log"}  # noqa: RUF012 # as the guide shows it

    def has_heard(self, workspace: Path, event: str, facts) -> None:
        line = (workspace / "heard.log").read_text("utf-8").splitlines()[-1]
        assert facts["job"] in line
        assert facts.get("folder", facts.get("why")) in line


class DeafConfig(NoticeConfig):
    """No options."""


class Deaf(Notice[DeafConfig]):
    """Takes an event under other names than the service gives."""

    kind = "deaf"

    def job_held(self, name: str, why: str) -> None:
        """Hear nothing."""


def test_events_of_the_contract_are_those_of_the_service() -> None:
    assert {event: tuple(facts) for event, facts in EVENTS} == FACTS


def test_a_notice_that_takes_facts_of_other_names_does_not_pass(tmp_path) -> None:
    class Contract(NoticeContract):
        notice = Deaf

    with pytest.raises(TypeError):
        Contract().test_it_hears_every_event(tmp_path)
    with pytest.raises(AssertionError, match="job_held takes"):
        Contract().test_it_takes_the_facts_by_their_names()
