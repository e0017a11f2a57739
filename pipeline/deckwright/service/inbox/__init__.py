"""Decks that come: seen, settled, fetched, taken."""
