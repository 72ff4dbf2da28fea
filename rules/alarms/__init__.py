"""Alarms: what exists, how each one lives, and which belong to one cause (IEC 62682, ISA-18.2, ITU-T X.733).

Read in this order: `catalogue` (every alarm, one entry each), `events`, `windows` (what happens to a supply, and
times of planned work), `lifecycle` (the transition table), `signs` (what one reading shows), `conditions` (what a
reading or a verdict says of each alarm, by subject), `plant_memory` (what was last seen of the plant), `take_up` (how
long units may take a supply that is back),
`planned_work` (what a signed plan explains), `incidents` (one cause, one message), `urgency` (what is to be done first),
`quality` (how good the alarms are).
"""
