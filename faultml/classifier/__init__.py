"""From features to calibrated fault probabilities, and the model bundle."""
