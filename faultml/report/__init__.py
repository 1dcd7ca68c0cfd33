"""The season as one offline page for a person (`page`, `source`), and the catalogue in print (`listing`)."""
