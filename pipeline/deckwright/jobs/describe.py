"""Descriptions of options: the string under each attribute of a model.

They are looked up only for help and schemas; to read the source of every model when it is made
would cost each run some hundredths of a second.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from pydantic import BaseModel

from deckwright.jobs.base import models_in


def described_schema(model: type[BaseModel], **options: Any) -> dict[str, Any]:
    """Return the JSON Schema of a model, with a description of every option.

    Args:
        model: the model.
        options: passed on to `model_json_schema`.
    """
    for inner in _reached(model, set()):
        for name, text in _attribute_docs(inner).items():
            if name in inner.model_fields and inner.model_fields[name].description is None:
                inner.model_fields[name].description = text
        inner.model_rebuild(force=True)
    return model.model_json_schema(**options)


def _reached(model: type[BaseModel], seen: set[type[BaseModel]]) -> Iterator[type[BaseModel]]:
    """Yield the models inside a model, innermost first, and the model itself."""
    if model in seen:
        return
    seen.add(model)
    for info in model.model_fields.values():
        for inner in models_in(info.annotation):
            yield from _reached(inner, seen)
    yield model


def _attribute_docs(model: type[BaseModel]) -> dict[str, str]:
    docs: dict[str, str] = {}
    for parent in model.__mro__:
        if parent is BaseModel:
            break
        try:
            tree = ast.parse(textwrap.dedent(inspect.getsource(parent)))
        except (OSError, TypeError, SyntaxError):  # such as a class made in a console
            continue
        for name, text in _strings(tree):
            docs.setdefault(name, text)
    return docs


def _strings(tree: ast.Module) -> Iterator[tuple[str, str]]:
    body = tree.body[0].body if tree.body and isinstance(tree.body[0], ast.ClassDef) else []
    for attribute, after in pairwise(body):
        named = isinstance(attribute, ast.AnnAssign) and isinstance(attribute.target, ast.Name)
        if not (named and isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)):
            continue
        assert isinstance(attribute, ast.AnnAssign)  # noqa: S101 # as asked above
        assert isinstance(attribute.target, ast.Name)  # noqa: S101 # as asked above
        if isinstance(after.value.value, str):
            yield attribute.target.id, inspect.cleandoc(after.value.value)
