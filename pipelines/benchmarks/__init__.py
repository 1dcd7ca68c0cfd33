"""Comparison, pace, learning curves and load: run from the checkout by make, not in the wheel."""
