"""From a job file to a plan: what it names, how the chain is cut, how large pieces are."""
