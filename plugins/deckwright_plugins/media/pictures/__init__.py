"""Decks of pictures of cards."""
