"""The comparison: every spot estimator on the same frames, against theory, and in the loop."""
