"""Layouts: reading fields from trays and writing them back."""
