"""Loops of a scenario: margins, prediction, tuning and sensitivity."""
