"""Train and evaluate the default bundle, and write its card."""
