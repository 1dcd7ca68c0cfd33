"""The plan: which drill a player is on, in which of six states, why, and since when."""
