"""The hot loops: plain (what they mean) and compiled (fast), and what both are made of."""
