"""The fault catalogue: the data in catalogue.toml, its types and its measures."""
