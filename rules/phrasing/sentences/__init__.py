"""The sentences of reasons, one function a code: `general` (told words, safety), `isolation`, `work` (may a unit be taken out; work on it), and what alarms
and the journal say: `outage` (and a supply), `unit`, `parallel`, `spares`, `system`, `bank` (and sets), `service` (itself, and the journal); plans and records: `ridethrough`, `shedding`, `holding` (how long, and whether that is enough), `sizing`, `trends`, `programme`; `battery`: what is said of one bank by itself.
"""
