"""From angles over time to landmarks and the closure budget."""
