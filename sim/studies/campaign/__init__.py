"""A campaign of qualification: many cases, one page to file."""
