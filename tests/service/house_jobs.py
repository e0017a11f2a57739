"""The jobs and decks of a house: an invented stock, kept on cards that every test can read."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

from deckwright.service.system.places import run_prefix
from service.contract import sha256

CANARY = "CANARY4812"
"""Stands on cards, and nowhere else."""

LAYOUT = """
title = "Stock card of an invented depot"

[[field]]
name = "item"
columns = "1-5"
kind = "digits"
blank = "error"

[[field]]
name = "amount"
columns = "6-11"
kind = "whole"

[[field]]
name = "note"
columns = "12-40"
kind = "text"
"""

FIRST_MASTER = "".join(f"{line}\r\n" for line in ("item,amount", "00001,5", "00002,7"))
"""The master that the job `stock` of a house begins with."""


def card(item: int, amount: int = 1, note: str = "") -> str:
    """Return the text of a stock card."""
    return f"{item:05}{amount:06}{note}"


def deck(*cards: str) -> bytes:
    """Return cards as text lines of 80 columns."""
    return "".join(f"{each:<80}\n" for each in cards).encode("latin-1")


def cards_of(number: int, cards: int = 2) -> bytes:
    """Return a small deck that differs from that of every other number below 90,000."""
    return deck(*(card(1 + each, number) for each in range(cards)))


def run_of(name: str | bytes, data: bytes, number: int = 1) -> str:
    """Return what the n-th run of a deck is called."""
    return f"{run_prefix(sha256(data), os.fsencode(name))}-{number}"


def chain(*middle: Mapping[str, Any], most: str = "100 %") -> list[Mapping[str, Any]]:
    """Return a chain over text lines with the given stages before the deliveries."""
    return [
        {"kind": "decode", "medium": {"kind": "text"}},
        {"kind": "validate", "layout": "stock", "most_returned": most},
        *middle,
        {
            "kind": "emit",
            "output": [
                {"file": "cards.csv", "form": "csv"},
                {"file": "cards.txt", "form": "deck"},
            ],
        },
    ]


def lane_chain() -> list[Mapping[str, Any]]:
    """Return a chain that meets the master `stock` and leaves the next one; plugin `post.py`."""
    merge = {"kind": "merge", "master": {"file": "stock", "kind": "csv"}, "match": {"item": "item"},
             "take": {"before": "amount"}, "unmatched": "keep"}  # fmt: skip
    output = [{"file": "cards.csv", "form": "csv", "columns": ["item", "amount"]}]
    return [*chain()[:2], merge, {"kind": "post"}, {"kind": "emit", "output": output}]
