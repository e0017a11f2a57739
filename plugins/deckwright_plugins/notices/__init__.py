"""The notices that come with the program."""
