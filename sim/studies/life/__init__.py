"""A switch over hours to years: slow time, with the loop settled between steps."""
