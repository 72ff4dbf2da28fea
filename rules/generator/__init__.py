"""Generating sets: `outage_source` (what fed a supply after an outage), `test_runs` (when a generator was last run, and is
due).
"""
