"""Training and evaluation of the default bundle."""
