"""The card itself: its measures and its lettering."""
