"""Forms of delivery that come with the program."""
