"""Pieces of pictures for people: the card, a column, the printed line."""
