"""Columns of integers in few bytes: `coding`, `bundle` (many columns), `chunk` (the quick form for hours)."""
