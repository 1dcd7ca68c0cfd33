"""From probabilities and findings to ranked drills with confidence notes."""
