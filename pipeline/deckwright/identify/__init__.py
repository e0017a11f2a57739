"""What a strange file is: which medium it lies on, which code its cards are punched in."""
