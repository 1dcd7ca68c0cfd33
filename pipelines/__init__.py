"""Training, retraining, the registry of models, and benchmarks."""
