"""What the tests of the service share."""

from __future__ import annotations

from collections.abc import Callable

import pytest


@pytest.fixture
def counts(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Return a writer of figures into the report of a test, such as how often it was cut off."""
    return lambda **figures: request.node.user_properties.extend(figures.items())
