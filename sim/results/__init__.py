"""What a run leaves behind, and the figures and limits made of it."""
