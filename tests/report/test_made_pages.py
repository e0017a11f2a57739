"""The compiled templates that the package brings are those that would be compiled anew."""

from __future__ import annotations

import pytest
from jinja2 import Environment

from deckwright.report import html, made
from deckwright.report.preparing import compiled


def test_the_files_are_what_is_compiled_anew() -> None:
    kept = {path.name: path.read_text(encoding="utf-8") for path in made.FOLDER.glob("*.py")}
    assert kept == compiled(), "run python -m deckwright.report.preparing"


@pytest.mark.parametrize("there", [True, False])
def test_a_template_is_compiled_only_where_it_does_not_lie_there(monkeypatch, there) -> None:
    anew: list[str] = []
    compile_one = Environment.compile

    def noted(self, source, name, *given, **named):
        anew.append(name)
        return compile_one(self, source, name, *given, **named)

    monkeypatch.setattr(Environment, "compile", noted)
    if not there:
        monkeypatch.setattr(made, "bc_version", "other")
    templates = html.environment.__wrapped__()
    assert templates.get_template("failed.html").render is not None
    assert anew == ([] if there else ["failed.html"])
