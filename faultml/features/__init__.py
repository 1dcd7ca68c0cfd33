"""What the classifier sees, computed for whole batches at once."""
