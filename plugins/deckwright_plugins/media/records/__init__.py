"""Decks of records whose lengths differ."""
