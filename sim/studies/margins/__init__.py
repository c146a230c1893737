"""The controls bench: what a scenario's loops are worth before anything is run."""
