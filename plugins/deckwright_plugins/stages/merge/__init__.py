"""Merge: cards meet their master records."""
