"""The command line: each command parses, calls one library function and prints one thing."""
