"""Calibration of camera and actuators: procedures, and what the firmware believes after them."""
