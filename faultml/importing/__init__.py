"""Any recorder's files, read by a layout, into a season table."""
