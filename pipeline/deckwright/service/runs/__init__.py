"""Open runs: whose turn it is, and what follows from how one ended."""
