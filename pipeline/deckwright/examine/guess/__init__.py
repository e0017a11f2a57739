"""Guesses of codes, fields and card types from what was counted."""
