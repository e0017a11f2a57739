"""The pass over all cards of a deck, and what it counts."""
