"""What every folder builds on: ports, files, kinds of parts, settings, errors, random numbers."""
