"""An outage while it lasts, and those that are over.

Read in this order: `feeds` (what feeds each unit, since when, and when it is due back), `chores` (what belongs to the outage
and what may wait until it is over), `past` (the outages of all years, each with its story and its messages), `incidents` (as programs
read them).
"""
