"""What several stages or media share."""
