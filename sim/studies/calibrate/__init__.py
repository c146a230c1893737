"""Calibration of a switch: procedures, what they leave to the firmware, and what errors cost."""
