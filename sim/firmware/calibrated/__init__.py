"""What a calibration adds to the firmware, in whole numbers: pixel maps, lens, spot guard."""
