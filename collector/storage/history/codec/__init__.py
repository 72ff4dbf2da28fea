"""Columns of integers in few bytes: `column_coding`, `run_bundle` (many columns), `hour_chunk` (the quick form for hours)."""
