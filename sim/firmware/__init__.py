"""The arithmetic of the firmware: whole numbers, as a processor holds them."""
