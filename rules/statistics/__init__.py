"""Series of any quantity: `trend` (the robust slope, and a step)."""
