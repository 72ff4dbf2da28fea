"""The sentences of reasons, one function a code: `general` (told words, safety), `isolation`, `work` (may a unit be taken out; work on it), and what alarms
and the journal say: `outage`, `supply`, `unit`, `system`, `bank`, `service`, `events`; plans and records: `ridethrough`, `shedding`, `sizing`, `trends`, `programme`, `generator`.
"""
