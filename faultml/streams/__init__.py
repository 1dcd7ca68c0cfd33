"""Range sessions: a long stream cut into swings."""
