"""Alarms: what exists, how each one lives, and which belong to one cause (IEC 62682, ISA-18.2, ITU-T X.733).

Read in this order: `catalogue` (every alarm, one entry each), `lifecycle` (the transition table), `inputs` and
`changes` (what goes in at `rules.watch` and what comes out), `signs` (what one reading shows), `conditions` (what a
reading or a verdict says of each alarm, by subject), `topology`, `scene` and `remembering` (where things stand and
what was last seen), `incidents`, `grouping` and `telling` (one cause, one message), `wording` (how it is said),
`quality` (how good the alarms are), `plain` (all of it as JSON and back).
"""
