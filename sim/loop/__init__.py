"""The closed loop: parts, state, stages, and the traces it leaves."""
