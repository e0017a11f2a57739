"""How a command ends that Ctrl-C stops."""

from __future__ import annotations

STOPPED = 130
"""Its exit code."""
