"""How soon a health watch finds misbehaving mirrors, and how often it cries wolf."""
