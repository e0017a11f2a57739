"""The plugin API: what stages and media are, and how they are found."""
