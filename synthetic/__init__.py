"""Synthetic golfers, swings, sensors and seasons with known truth."""
