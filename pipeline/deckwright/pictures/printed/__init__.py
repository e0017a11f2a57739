"""The printed line: a second opinion on what is punched."""
