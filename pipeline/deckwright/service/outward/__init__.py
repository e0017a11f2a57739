"""What the service tells others: log, history, notices, copies, metrics, state."""
