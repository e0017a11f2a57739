"""The stages that come with the program."""
