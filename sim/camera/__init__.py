"""The camera: settings, sensor, shutter, windows, and the measurement of spots."""
