"""The media that come with the program."""
