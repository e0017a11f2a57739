"""Pictures of cards drawn by the program: damaged in named conditions, with the truth."""
