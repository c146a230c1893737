"""From what a bench recorded to the constants of the mirrors, with their intervals."""
