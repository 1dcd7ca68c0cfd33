"""The coach's verdicts: kept, compared, and which to ask for next."""
