"""A mutant is the module with one fault that can be loaded, and nothing else changed."""

from __future__ import annotations

import ast
import difflib

from mutation.mutants import count, mutant

MODULE = '''
"""A module."""

Kind = Left | Right
if TYPE_CHECKING:
    import nothing


@sure(True)
def total(values: list[int] | None, most: int = 3) -> int:
    """Add up."""
    found = 0
    for value in values or []:
        if value > most and not value % 2:
            continue
        found += value
        note(value)
    return found
'''


TEST = "value > most and (not value % 2)"


def test_every_mutant_is_another_module_that_differs_in_one_place() -> None:
    plain = ast.unparse(ast.parse(MODULE)).splitlines()
    seen = set()
    for number in range(count(MODULE)):
        each = mutant(MODULE, number)
        compile(each.source, "module", "exec")
        seen.add(each.source)
        lines = [
            line
            for line in difflib.unified_diff(plain, each.source.splitlines(), n=0)
            if line[0] in "+-" and line[:3] not in {"+++", "---"}
        ]
        assert len(lines) == 2, lines
        assert all(0 < line <= len(MODULE.splitlines()) for line in each.lines)
    assert len(seen) == count(MODULE)


def test_every_kind_of_fault_is_among_them() -> None:
    assert {mutant(MODULE, number).what for number in range(count(MODULE))} == {
        "3  ->  4",
        "0  ->  1",
        "for value in values or []: ...  ->  for value in (): ...",
        "found += value  ->  left out",
        "note(value)  ->  left out",
        "values or []  ->  values and []",
        f"if {TEST}: ...  ->  if not ({TEST}): ...",
        "continue  ->  left out",
        "value > most and (not value % 2)  ->  value > most or not value % 2",
        "value > most  ->  value >= most",
        "value % 2  ->  value // 2",
        "2  ->  3",
        "found += value  ->  found -= value",
    }
