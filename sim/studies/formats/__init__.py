"""Word lengths of a firmware: ranges, overflow, stalls and cycles, and what bits cost."""
