"""The card of an invented stock book, which tests of several named decks use."""

from __future__ import annotations

STOCK = """
title = "Stock card of an invented depot"
record_length = 40

[[field]]
name = "item"
columns = "1-5"
kind = "digits"
blank = "error"

[[field]]
name = "amount"
columns = "6-11"
kind = "whole"
fill = "0"
"""
