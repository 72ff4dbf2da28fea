"""What every long trial stands on."""

from hypothesis import settings

settings.register_profile("anew", deadline=None, derandomize=False)
settings.load_profile("anew")
"""Other examples at each run: what the suite holds still is looked for more widely here."""
