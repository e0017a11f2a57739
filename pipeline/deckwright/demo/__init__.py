"""The demo network: invented rain observers, their decks, and the truth about every fault."""

from __future__ import annotations
