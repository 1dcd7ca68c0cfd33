"""The default model bundle: data, no code."""
