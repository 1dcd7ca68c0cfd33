"""The season as offline pages for a person (`page`, `source`), and the catalogue in print (`listing`)."""
