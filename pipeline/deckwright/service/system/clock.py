"""All time of the service comes through one object, so that a test can set it."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta


class Clock:
    """Wall time for people, steady time for waits."""

    def now(self) -> str:
        """Return the time of day as ISO 8601 in UTC, to the microsecond."""
        return datetime.now(UTC).isoformat(timespec="microseconds")

    def steady(self) -> float:
        """Return seconds that never run back."""
        return time.monotonic()


def a_while_ago(now: str, seconds: float) -> str:
    """Return the time so many seconds before another, both ISO 8601; "" where there is none."""
    try:
        then = datetime.fromisoformat(now) - timedelta(seconds=seconds)
    except OverflowError:
        return ""
    return then.isoformat(timespec="microseconds")
