"""The coach's own store: one SQLite file, one writer at a time."""
