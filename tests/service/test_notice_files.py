"""Observers in one Python file: the example of the guide, and broken ones."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from deckwright.errors import ConfigError
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.service import load_service
from deckwright.service.outward.notices import Notices
from deckwright.service.outward.noticing import notice_faults
from deckwright.service.system.places import Workspace
from service.notice_events import EVENTS

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
SERVICE = 'plugins = ["bell.py"]\n[[notice]]\nkind = "bell"\n'
PATIENCE_S = 240


def bell() -> str:
    """Return the example of a notice in DEVELOPERS.md."""
    blocks = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return next(block for block in blocks if "class Bell(" in block)


@pytest.fixture
def workspace(tmp_path):
    (tmp_path / "config" / "plugins").mkdir(parents=True)
    (tmp_path / "config" / "service.toml").write_text(SERVICE, encoding="utf-8")
    return Workspace(tmp_path)


def faults(workspace):
    path = workspace.config / "service.toml"
    return [str(fault) for fault in notice_faults(ConfigFile(path), load_service(path))]


@pytest.mark.parametrize("place", ["bell.py", "plugins/bell.py"])
def test_the_notice_of_the_guide_rings_when_a_deck_comes_back(workspace, place) -> None:
    (workspace.config / place).write_text(bell(), encoding="utf-8")
    assert faults(workspace) == []
    notices = Notices(load_service(workspace.config / "service.toml"), workspace)
    notices.tell(EVENTS[0])
    assert notices.close(PATIENCE_S) == []
    assert not (workspace.root / "bell").exists()
    notices = Notices(load_service(workspace.config / "service.toml"), workspace)
    for event in EVENTS:
        notices.tell(event)
    assert notices.close(PATIENCE_S) == []
    assert (workspace.root / "bell").exists()


BROKEN = {
    "none": (None, "plugin 'bell' of bell.py cannot be loaded: there is no such Python file"),
    "raises": ("1 / 0", "plugin 'bell' of bell.py cannot be loaded: ZeroDivisionError"),
    "ends": ("raise SystemExit", "a plugin that it names raised SystemExit while it was loaded"),
    "brings nothing": ("x = 1", "there is no notice 'bell'"),
}


@pytest.mark.parametrize("broken", BROKEN)
def test_a_broken_file_is_told_with_its_line_and_no_event_is_waited_for(workspace, broken) -> None:
    text, said = BROKEN[broken]
    if text is not None:
        (workspace.config / "bell.py").write_text(text, encoding="utf-8")
    (fault,) = faults(workspace)
    assert said in fault
    line = 3 if broken == "brings nothing" else 1
    assert fault.startswith(f"{workspace.config / 'service.toml'}:{line}: ")
    notices = Notices(load_service(workspace.config / "service.toml"), workspace)
    notices.tell(EVENTS[1])
    problems = notices.close(PATIENCE_S)
    assert problems
    assert all("Traceback" not in problem for problem in problems)


@pytest.mark.parametrize("place", ["/bell.py", "../bell.py", "bell.txt"])
def test_a_file_must_lie_beside_the_service_file(workspace, place) -> None:
    text = f'plugins = ["{place}"]\n'
    (workspace.config / "service.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="should be a Python file beside the service file"):
        load_service(workspace.config / "service.toml")
