"""Files of users: read within bounds, written whole or not at all; their text is data."""
