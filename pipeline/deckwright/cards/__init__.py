"""Cards as arrays: hole patterns, codes, values, trays."""
