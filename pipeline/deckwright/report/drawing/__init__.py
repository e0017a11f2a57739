"""Drawings of cards: as shapes, as SVG, PNG, PDF and text, one or many on a sheet."""
