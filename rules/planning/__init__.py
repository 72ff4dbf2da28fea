"""Plans played out before anybody touches a switch. They advise; they switch nothing.

Four folders that know nothing of each other: `isolation` (may a unit be taken out), `ridethrough` (does a system ride a
shutdown or an outage through), `sizing` (how large a replacement), `programme` (replacements and service by date).
"""
