"""What is installed, and what is read of it.

Read in this order: `estate` (sites, supplies, systems, units in their positions, banks, over time), `reading` (one
reading of one unit in SI units, with its doubts), `topology` (where a thing stands), `unread` (whose fault it is that
the last reading is old).
"""
