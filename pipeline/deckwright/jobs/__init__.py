"""The files that people write: jobs, layouts; and their faults with file and line."""
