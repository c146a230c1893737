"""The firmware of a scenario: C source, golden vectors, and what it takes on a processor."""
