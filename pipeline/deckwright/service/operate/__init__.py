"""What an operator sees and asks: state, checks, clearing up, requests, the first start."""
