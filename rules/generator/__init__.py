"""Generating sets: `outage_source` (what fed a supply after an outage), `test_runs` (when a set was last run, and is
due).
"""
