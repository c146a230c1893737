"""Profiles of base acceleration along one direction: one kind a file, and what it is held to."""
