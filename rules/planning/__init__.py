"""Plans played out before anybody touches a switch. They advise; they switch nothing.

Read in this order:

1. `safety`          the sentences that every plan carries
2. `supply`          what mains and set do in a scenario: stretches on the banks
3. `scenario`        what is asked; `ridethrough`: played out; `ride_result`, `ride_words`: time line, verdict, margin
4. `shedding`        which loads to drop, in which order, by when; `remedy`: what would carry a scenario that fails;
   `estate_ride`: a scenario for many systems
5. `signed`          a plan as it was signed, and its abort criteria watched
6. `course`          what came of a signed plan, beside what was foretold; `plan_words`: in the journal
7. `explained`       what a signed plan explains, as planned work
8. `shutdown`        the same shutdown with the set behind it and without
9. `checks`          the single checks before a unit is isolated
10. `isolation`      may a unit be taken out, and when
11. `work`           work on a unit, followed
12. `sizing`         the size of replacement units; `bank_sizing`: of banks; `next_size`: asked of a system as it is;
   `retirement`: may a unit go, and which banks then suffice
13. `programme`      replacements and service by date; `service_due`: what is due now; `programme_text`: CSV and calendar
"""
