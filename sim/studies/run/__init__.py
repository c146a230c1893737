"""One run, from a scenario to a result folder."""
