"""What several commands share: options, lists, lines on a terminal, cards to be drawn."""
