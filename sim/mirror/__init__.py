"""The mirrors: population, drive, exact propagators."""
