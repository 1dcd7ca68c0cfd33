"""The places of the desk, a module each: what is shown there, and what a press of a key or button does."""
