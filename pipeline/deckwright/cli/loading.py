"""Loading modules quickly: much is made meanwhile, and nothing of it is garbage."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def nothing_collected() -> Iterator[None]:
    """Collect no garbage; what was made is left out of all later collections."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
