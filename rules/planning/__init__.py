"""Plans played out before anybody touches a switch. They advise; they switch nothing.

Read in this order:

1. `safety`          the sentences that every plan carries
2. `supply`          what mains and set do in a scenario: stretches on the banks
3. `ridethrough`     a scenario played out: time line, verdict, margin
4. `shedding`        which loads to drop, in which order
5. `signed`          a plan as it was signed, and its abort criteria watched
6. `course`          what came of a signed plan, beside what was foretold
7. `checks`          the single checks before a unit is isolated
8. `isolation`       may a unit be taken out, and when
9. `work`            work on a unit, followed
10. `sizing`         the size of replacement units and banks
11. `programme`      replacements and service by date; `programme_text`: CSV and calendar
"""
