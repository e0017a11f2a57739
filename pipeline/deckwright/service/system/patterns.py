"""Patterns of file names, as a shell has them."""

from __future__ import annotations

import fnmatch
import re
from functools import cache


@cache
def matcher(patterns: tuple[str, ...]) -> re.Pattern[str]:
    """Return an expression that matches the file names that fit one of the patterns."""
    return re.compile("|".join(map(fnmatch.translate, patterns)) or r"(?!)")
