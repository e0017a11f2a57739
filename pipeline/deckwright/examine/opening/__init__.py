"""What a file is: its wrapping and its medium."""
