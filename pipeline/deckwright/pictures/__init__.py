"""Pictures of cards: a simulator of damaged pictures and a reader of all 960 hole places."""

from __future__ import annotations
