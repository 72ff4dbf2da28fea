"""Replacements and service by date: `service_due` (what is due now), `programme` (the years ahead)."""
