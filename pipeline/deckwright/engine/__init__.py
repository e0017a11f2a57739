"""The engine: plan, passes, accounts, executors, run folder."""
