"""Practice between lessons: samples in, typed events out; sets, and what is written down afterwards."""
