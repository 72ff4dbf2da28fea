"""The sentences of reasons, one function a code: `general` (told words, safety); what alarms and the journal say: `outage` (and
a supply), `unit`, `parallel`, `spares`, `system`, `bank` (and generators), `service` (itself, and the journal); `holding` (how
long, and whether that is enough), `trends`; `battery`: what is said of one bank by itself; `planning`: of plans.
"""
