"""Kinds of parts: the registry of each family, and code from outside that joins it."""
