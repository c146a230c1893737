"""From what a laboratory recorded to the constants of the mirrors, with their intervals."""
