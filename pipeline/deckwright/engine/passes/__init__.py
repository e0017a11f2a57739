"""Tasks and the processes that run them: cards through stages, accounts after each."""
