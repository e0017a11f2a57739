"""Small faults put into a module: what a test that means something must notice.

A fault is one changed comparison, operator, number, truth value or condition, one statement left
out, or a loop that runs over nothing. Texts stay as they are, and so do annotations, decorators and
docstrings.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import islice

Put = Callable[[], None]
"""Puts a fault into a module."""

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Div: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """A module with one fault."""

    lines: range
    """The lines of the whole module on which the faulty code stands."""
    what: str
    """What was there and what stands there now."""
    source: str
    """The faulty module."""


def count(source: str) -> int:
    """Return how many mutants a module has."""
    return sum(1 for _ in _faults(ast.parse(source)))


def mutant(source: str, number: int) -> Mutant:
    """Return a mutant of a module by its number, from 0."""
    tree = ast.parse(source)
    node, put = next(islice(_faults(tree), number, None))
    before = ast.unparse(node)
    put()
    after = ast.unparse(node)
    what = f"{_brief(before)}  ->  {'left out' if after == before else _brief(after)}"
    holds_others = isinstance(node, ast.If | ast.For | ast.While)
    end = node.lineno if holds_others else node.end_lineno or node.lineno
    return Mutant(range(node.lineno, end + 1), what, ast.unparse(tree))


def _faults(tree: ast.Module) -> Iterator[tuple[ast.expr | ast.stmt, Put]]:
    """Return every fault: where it stands, and what puts it in."""
    for node in _code(tree):
        yield from ((node, put) for put in _changed(node))
        yield from _left_out(node)


def _brief(code: str) -> str:
    first, _, rest = code.partition("\n")
    return f"{first} ..." if rest else first


def _code(node: ast.AST) -> Iterator[ast.expr | ast.stmt]:
    """Return what is carried out below a node: no annotations, nothing for type checkers."""
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "type_params", "decorator_list"}:
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or _is_for_checkers(child):
                continue
            if isinstance(child, (ast.expr, ast.stmt)):
                yield child
            yield from _code(child)


def _is_for_checkers(node: ast.AST) -> bool:
    named = ast.unparse(node.test) if isinstance(node, ast.If) else ""
    return named == "TYPE_CHECKING" or (isinstance(node, ast.Assign) and _is_type(node.value))


def _is_type(node: ast.expr) -> bool:
    """Tell an alias of types, such as `Name = A | B`, from a calculation."""
    return (
        isinstance(node, ast.BinOp)
        and isinstance(node.op, ast.BitOr)
        and all(
            _is_type(side) or (isinstance(side, ast.Name) and side.id[:1].isupper())
            for side in (node.left, node.right)
        )
    )


def _changed(node: ast.expr | ast.stmt) -> Iterator[Put]:
    """Return what changes one thing each of a node."""
    match node:
        case ast.Compare(ops=[only]):
            yield partial(setattr, node, "ops", [COMPARISONS[type(only)]()])
        case ast.BoolOp():
            other = ast.Or if isinstance(node.op, ast.And) else ast.And
            yield partial(setattr, node, "op", other())
        case ast.BinOp() | ast.AugAssign() if type(node.op) in OPERATORS and not _is_text(node):
            yield partial(setattr, node, "op", OPERATORS[type(node.op)]())
        case ast.Constant(value=bool()):
            yield partial(setattr, node, "value", not node.value)
        case ast.Constant(value=int() | float()):
            yield partial(setattr, node, "value", node.value + 1)
        case ast.If() | ast.IfExp() | ast.While() if not isinstance(node.test, ast.Compare):
            yield partial(setattr, node, "test", ast.UnaryOp(ast.Not(), node.test))
        case ast.For():
            yield partial(setattr, node, "iter", ast.Tuple([], ast.Load()))


def _left_out(node: ast.expr | ast.stmt) -> Iterator[tuple[ast.stmt, Put]]:
    """Return each statement of a node that may be forgotten, and what forgets it."""
    for name in ("body", "orelse", "finalbody"):
        held = getattr(node, name, None)
        for place, inner in enumerate(held if isinstance(held, list) else []):
            if _may_go(inner):
                less = [*held[:place], ast.Pass(), *held[place + 1 :]]
                yield inner, partial(setattr, node, name, less)


def _is_text(node: ast.BinOp | ast.AugAssign) -> bool:
    sides = [node.value] if isinstance(node, ast.AugAssign) else [node.left, node.right]
    return any(
        isinstance(side, ast.JoinedStr)
        or (isinstance(side, ast.Constant) and isinstance(side.value, (str, bytes)))
        for side in sides
    )


def _may_go(node: ast.stmt) -> bool:
    """Tell whether a statement does something that may be forgotten, and no later name needs."""
    call = isinstance(node, ast.Expr) and not isinstance(node.value, ast.Constant)
    return call or isinstance(node, (ast.AugAssign, ast.Raise, ast.Continue, ast.Break, ast.Delete))
