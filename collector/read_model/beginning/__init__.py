"""The first days of a watch: `steps` (what makes the rest known, how much of it is done), `past_tests` (brought by somebody)."""
