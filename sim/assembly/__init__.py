"""From a checked scenario to the parts of a run."""
