"""What every test stands on."""

from hypothesis import settings

settings.register_profile("suite", deadline=None, derandomize=True)
settings.load_profile("suite")
"""No example is late on a busy machine, and the suite draws the same ones each time; `tests/backtest` draws anew."""
