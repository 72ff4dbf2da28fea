"""Alarms: what exists, how each one lives, and which belong to one cause (IEC 62682)."""
