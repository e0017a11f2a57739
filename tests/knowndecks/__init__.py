"""Invented decks of which every field is known, and how well `examine` tells their fields."""

from __future__ import annotations
