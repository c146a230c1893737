"""Several isolators side by side: transmissibility, sway, and what the mirrors see of an event."""
