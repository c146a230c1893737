"""What is asked of the loop: a run, margins, estimators, sweeps."""
