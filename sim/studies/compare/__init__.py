"""Classes of switching mechanism side by side, from figures that the user states."""
