"""What is played: nominal figures, tolerance bands, hygiene of records, spectra."""
