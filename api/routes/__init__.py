"""HTTP routes, one resource a module."""
