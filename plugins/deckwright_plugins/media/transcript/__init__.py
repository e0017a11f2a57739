"""Hole transcripts: decks as text that names the holes."""
