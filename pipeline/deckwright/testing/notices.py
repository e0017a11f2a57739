"""What every notice must pass.

In a test module of a plugin:

    from deckwright.testing import NoticeContract
    from my_notice import MyNotice

    class TestMyNotice(NoticeContract):
        notice = MyNotice
        options = {"file": "bell"}

        def has_heard(self, workspace, event, facts):
            assert (workspace / "bell").exists()
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar

from pydantic import ValidationError

from deckwright.plugin.notices import Notice

EVENTS: tuple[tuple[str, Mapping[str, Any]], ...] = (
    (
        "deck_done",
        {
            "run": "0123456789abcdef-012345-1",
            "job": "depot",
            "deck": "week 7.txt",
            "counts": {"in": 9, "added": 1, "out": 7, "returned": 2, "set_aside": 1},
            "folder": "done/0123456789abcdef-012345-1",
        },
    ),
    (
        "deck_returned",
        {
            "run": "0123456789abcdef-012345-2",
            "job": "depot",
            "deck": "\\udcff\N{CJK UNIFIED IDEOGRAPH-6F22}\N{RIGHT-TO-LEFT OVERRIDE}.txt",
            "code": "too-many-returned",
            "folder": "returned/0123456789abcdef-012345-2",
        },
    ),
    (
        "deck_held",
        {"run": "0123456789abcdef-012345-3", "job": "depot", "deck": "a/b", "why": "by A. Tester"},
    ),
    ("job_held", {"job": "depot", "why": "its config has a fault"}),
)
"""What a notice hears of, names of odd characters among it."""


class NoticeContract:
    """Tests that hold for every notice. Subclass it; the name must begin with `Test`."""

    notice: ClassVar[type[Notice[Any]]]
    options: ClassVar[Mapping[str, Any]] = {}

    def has_heard(self, workspace: Path, event: str, facts: Mapping[str, Any]) -> None:
        """Check what the notice did of an event; override it."""

    def make(self, workspace: Path) -> Notice[Any]:
        """Return the notice, made as the service makes it."""
        config = self.notice.config_model.model_validate(dict(self.options))
        return self.notice(config, workspace)

    def test_it_hears_every_event(self, tmp_path: Path) -> None:
        """Every event is taken without an error, by one notice in turn and by one made afresh."""
        one = self.make(tmp_path)
        for event, facts in EVENTS:
            for each in (one, one, self.make(tmp_path)):
                getattr(each, event)(**facts)
                self.has_heard(tmp_path, event, facts)

    def test_it_takes_the_facts_by_their_names(self) -> None:
        """Its methods take what the service tells, under the service's names."""
        for event, facts in EVENTS:
            code = getattr(self.notice, event).__code__
            names = code.co_varnames[1 : code.co_argcount]
            assert set(names) == set(facts), f"{event} takes {names}"

    def test_an_unknown_option_is_refused(self, tmp_path: Path) -> None:
        """A misspelt option is named before the notice is made."""
        options = {**self.options, "no_such_option_of_this_notice": 1}
        try:
            self.notice.config_model.model_validate(options)
        except ValidationError as error:
            named = str(error)
        else:
            named = "nothing was refused"
        assert "no_such_option_of_this_notice" in named
        assert not list(tmp_path.iterdir())

    def test_its_module_loads_no_frame_library(self) -> None:
        """It lives in a process with little memory, beside those that run decks."""
        module = sys.modules[self.notice.__module__]
        code = (
            "import importlib.util, json, sys;"
            f"spec = importlib.util.spec_from_file_location('notice', {str(module.__file__)!r});"
            "made = importlib.util.module_from_spec(spec); sys.modules['notice'] = made;"
            "spec.loader.exec_module(made);"
            "print(json.dumps([n for n in ('numpy', 'polars') if n in sys.modules]))"
        )
        done = subprocess.run(  # noqa: S603 # our own command
            [sys.executable, "-c", code], capture_output=True, check=True, text=True, timeout=300
        )
        loaded = json.loads(done.stdout)
        assert loaded == [], f"its module loads {', '.join(loaded)}"
