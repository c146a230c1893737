"""Standard and recorded events at several levels, and the margin to failure."""
