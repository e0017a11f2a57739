"""Decks of text lines."""
