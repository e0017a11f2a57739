"""What lies on the disk: decks and their records, the ledger, config as it was, masters."""
