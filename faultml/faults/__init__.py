"""The fault catalogue: the data in catalogue.toml and its types."""
