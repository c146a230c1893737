"""Command shaping: how the feed-forward goes from one aim to the next."""
