"""Which alarms' conditions are present: by what one reading, judgement or look at the service itself says.

Pure look-ups: values in, `Found` out. Nothing here knows of delays, states or people. One module for each
subject an alarm can be about; a new condition goes where its subject is. In reading order: `condition` (the
answer), `unit`, `card_reports` (the card's own alarms), `old_reading`, `supply` (units that do not do what the others on their
supply do), `system`, `comparison` (what sets its units apart, its partner), `unit_work` (on one of them), `outage` (a
system on its banks, and its generator), `shedding` (what to shed of it), `deadline` (by when to act on it), `shutdown` (a planned one, and its abort criteria), `bank`, `generators` (at rest, and in an outage),
`service_due` (what comes round), `service` (ridethrough itself).
"""
