"""Damage found and survived: `sound_rows`, `verify`, `rescue`."""
