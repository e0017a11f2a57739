"""The options --medium and --code, and what is said of a wrong one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

import click
from pydantic import BaseModel, ValidationError

from deckwright.errors import PluginError
from deckwright.examine.opening.opening import MediumTextError
from deckwright.jobs.faults import sentences
from deckwright.plugin.registry import Registry
from deckwright.plugin.stages import OptionProblem

MEDIUM_HELP = "The medium, as written in a job, e.g. '{ kind = \"text\" }'."


@contextmanager
def medium_named(medium: str | None, code: str | None) -> Iterator[None]:
    """Say what is wrong with a medium or a code that a person named.

    Raises:
        MediumTextError: in place of what the medium or its options raise.
    """
    named = f"--code {code!r}" if medium is None else f"--medium {medium!r}"
    try:
        yield
    except OptionProblem as problem:
        raise MediumTextError(named, problem.what) from problem
    except ValidationError as error:
        raise MediumTextError(named, "; ".join(sentences(error, _model(error.title)))) from error


def _model(title: str) -> type[BaseModel]:
    """Return the model of a medium's options, for the names of its keys."""
    registry = Registry()
    for kind in registry.kinds("media"):
        with suppress(PluginError):  # a broken plugin is no reason to say less of another
            registry.medium(kind)
    return registry.model_named(title)


def complete_codes(_: click.Context, __: click.Parameter, start: str) -> list[str]:
    """Return the names of codes that begin so."""
    from deckwright.cards.codes import code_names  # noqa: PLC0415 # only when asked

    return [name for name in code_names() if name.startswith(start)]
