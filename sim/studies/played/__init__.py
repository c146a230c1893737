"""What a run plays, looked at before anything feels it: tolerances, records, spectra."""
