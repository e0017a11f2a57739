"""Picture files: opened within limits, written the same each time."""
