"""Where fields begin and end: whole divisions of the columns weighed against each other."""
