"""Yield of a population of built switches, new and at the end of their lives."""
