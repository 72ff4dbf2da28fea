"""Replacements and service by date: `service_due` (what is due now), `discharge_visits` (the discharges that pay, put into few
visits), `programme` (the years ahead)."""
