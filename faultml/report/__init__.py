"""The season as one offline page for a person."""
