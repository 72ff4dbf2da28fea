"""The first days of a watch: `steps` (what makes the rest known, and how much of it is done)."""
