"""One lead-acid bank; units and sources in every docstring. Nothing here knows of a system.

Floors, from the ground up: `state` (what is said of a bank), `model` (what a bank does), `discharge` (what one
discharge shows), `assessment` (what all that was seen of a bank means).
"""
