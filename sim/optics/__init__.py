"""The light: where the rays go, how well they couple into a fibre, and what is lost on the way."""
