"""Deadlines of the firmware: what a frame takes on its processor, and what missing it costs."""
