"""The journal: what happened to every card."""
