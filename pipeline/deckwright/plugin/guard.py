"""What a plugin raises is told in one sentence, wherever it is called from.

The classes of stages, media and forms have their methods guarded when they are made, so that no
caller has to. Errors that a plugin raises on purpose pass as they are.
"""

from __future__ import annotations

import inspect
import traceback
from collections.abc import Callable, Iterator, Mapping
from functools import wraps
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from deckwright.errors import DeckwrightError, PluginFailedError, StageError
from deckwright.plugin.whereabouts import where

UNNAMED = "an unnamed distribution"
"""What brought a class that no registry has brought."""


class OptionProblem(Exception):  # noqa: N818 # a message to the loader, not a fault of the run
    """An option does not fit the rest of the job; the loader adds file and line."""

    def __init__(self, what: str, *path: str | int) -> None:
        self.what, self.path = what, path
        super().__init__(what)


_MEANT = (DeckwrightError, OptionProblem, ValidationError)


def guard(
    cls: type[Any],
    shape: type[Any],
    methods: Mapping[str, type[Any] | tuple[type[Any], ...] | None],
) -> None:
    """Guard the methods that a class brings itself, or takes from classes of another shape.

    Args:
        cls: a stage, a medium or a form.
        shape: which of them; what it brings itself needs no guard, nor what is guarded already.
        methods: by name, what each must return; None = whatever its caller looks at.
    """
    for name, wanted in methods.items():
        owner = next((each for each in cls.__mro__ if name in each.__dict__), shape)
        method = owner.__dict__.get(name)
        if (owner is cls or not issubclass(owner, shape)) and inspect.isfunction(method):
            guarded = _stepwise if inspect.isgeneratorfunction(method) else _at_once
            setattr(cls, name, guarded(method, wanted))


def _at_once(method: Callable[..., Any], wanted: Any) -> Callable[..., Any]:
    @wraps(method)
    def guarded(self: Any, *args: Any, **kwargs: Any) -> Any:
        try:
            found = method(self, *args, **kwargs)
        except _MEANT:
            raise
        except Exception as error:
            raise _told(self, method, args, error) from error
        if wanted is not None and not isinstance(found, wanted):
            wrong = TypeError(f"it returned {type(found).__name__}, not {_names(wanted)}")
            raise _told(self, method, args, wrong) from wrong
        return found

    return guarded


def _stepwise(method: Callable[..., Any], _: Any) -> Callable[..., Any]:
    @wraps(method)
    def guarded(self: Any, *args: Any, **kwargs: Any) -> Iterator[Any]:
        try:
            yield from method(self, *args, **kwargs)
        except _MEANT:
            raise
        except Exception as error:
            raise _told(self, method, args, error) from error

    return guarded


def _names(wanted: Any) -> str:
    kinds = wanted if isinstance(wanted, tuple) else (wanted,)
    return " or ".join(kind.__name__ for kind in kinds)


def _told(
    plugin: Any, method: Callable[..., Any], args: tuple[Any, ...], error: Exception
) -> StageError:
    """Return what is told of an error; cards are named where the method was given some."""
    cause = f"{type(error).__name__}: {error} ({_where(error, type(plugin), method)})"
    cards = getattr(args[0] if args else None, "cards", None)
    if isinstance(cards, np.ndarray) and len(cards):
        ends = int(cards.min()), int(cards.max())  # a sort may have put them into another order
        told = StageError(_label(plugin, args), _origin(plugin), *ends, cause, len(cards))
    else:
        told = PluginFailedError(_label(plugin, args), _origin(plugin), method.__name__, cause)
    told.add_note("".join(traceback.format_exception(error)))
    return told


def _origin(plugin: Any) -> str:
    return str(getattr(type(plugin), "origin", UNNAMED))


def _label(plugin: Any, args: tuple[Any, ...]) -> str:
    """Return `stage 3 (sort)`, `medium 'text'`, or `form 'csv' of stage 3`.

    A stage being made has its setting to come.
    """
    kind = getattr(plugin, "kind", type(plugin).__name__)
    called = getattr(plugin, "called", "")
    settings = [getattr(plugin, "setting", None), *args]
    numbers = (getattr(each, "number", None) for each in settings if hasattr(each, "layout_bytes"))
    number = next(numbers, None)
    if called and number is not None:
        return f"{called} {kind!r} of stage {number}"
    return f"stage {number} ({kind})" if number is not None else f"medium {kind!r}"


def _where(error: Exception, cls: type[Any], method: Callable[..., Any]) -> str:
    """Return the place of an error; where nothing of the plugin was at work, that of the method."""
    code = inspect.unwrap(method).__code__
    there = f"{Path(code.co_filename).name}:{code.co_firstlineno}"
    return where(error, cls.__module__) or there
