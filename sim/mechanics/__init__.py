"""Isolator, bracket, resonators, recorded acceleration, shock spectra."""
