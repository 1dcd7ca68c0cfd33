"""Reading recordings: files, the season table, its checks and coded findings."""
