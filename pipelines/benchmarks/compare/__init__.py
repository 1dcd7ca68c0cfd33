"""The classifier beside its peers, under shifts it was not trained for, and on other people's data."""
