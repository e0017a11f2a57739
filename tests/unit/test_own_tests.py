"""Every test of ours asserts something, itself or by a helper of the tests."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def asserts(function: ast.FunctionDef) -> bool:
    """Tell whether a function has an assertion of its own."""
    return any(
        isinstance(node, ast.Assert)
        or (isinstance(node, ast.Attribute) and node.attr in {"raises", "warns", "fail"})
        for node in ast.walk(function)
    )


def called(function: ast.FunctionDef) -> set[str]:
    """Return the last names of what a function calls."""
    calls = [node.func for node in ast.walk(function) if isinstance(node, ast.Call)]
    return {node.attr for node in calls if isinstance(node, ast.Attribute)} | {
        node.id for node in calls if isinstance(node, ast.Name)
    }


def without_assertion(sources: dict[str, str]) -> list[str]:
    """Return the tests that neither assert nor call a helper, of any file, that does."""
    found = [
        (name, each.name, asserts(each), called(each))
        for name, text in sources.items()
        for each in functions(ast.parse(text))
    ]
    helpers = [(name, sure, calls) for _, name, sure, calls in found if not is_test(name)]
    known: set[str] = set()
    while more := {
        name for name, sure, calls in helpers if name not in known and (sure or calls & known)
    }:
        known |= more
    return [
        f"{file}::{name}"
        for file, name, sure, calls in found
        if is_test(name) and not sure and not calls & known
    ]


def is_test(name: str) -> bool:
    return name.startswith("test_")


def test_every_test_asserts_something() -> None:
    files = {
        path.relative_to(TESTS).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(TESTS.rglob("*.py"))
    }
    assert without_assertion(files) == []


@pytest.mark.parametrize(
    ("body", "silent"),
    [
        ("run()", True),
        ("helper()", False),
        ("box.outer()", False),
        ("assert run()", False),
        ("with pytest.raises(ValueError): run()", False),
    ],
)
def test_a_test_without_an_assertion_is_found(body, silent) -> None:
    helpers = "def helper():\n    assert 1\ndef outer():\n    helper()\ndef run(): pass\n"
    sources = {"help.py": helpers, "test_it.py": f"def test_it():\n    {body}\n"}
    assert without_assertion(sources) == (["test_it.py::test_it"] if silent else [])
