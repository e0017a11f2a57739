"""What people look at after a run: drawn cards and the control sheet."""

from __future__ import annotations
