"""Care: one check of who may do which drill, how much of it, and if not, why."""
