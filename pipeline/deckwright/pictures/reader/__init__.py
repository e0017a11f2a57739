"""The reader: from a picture to 960 places, each with how sure it is."""
