"""What is costly, asked of the judging process: its answers come back through the recorder, like readings.

Read in this order: `worker` (the process), `hold_up` (of systems), `spent_so_far` (by a bank that gives), `banks`, `live_discharge` (the time left of a
running discharge), `shown_discharges` (what each showed), `bank_history` (what the readings of a bank show),
`bank_demand` (what is asked of a bank), `bank_evidence` (what a judgement of it rests on), `teaching` (which discharges teach a type its shape), `expected_courses` (what a discharge was expected to be),
`evidence_files` (imported), `past` (readings from elsewhere), `capacity_files` (one discharge, for
the command), `equipment` (what is declared replaced or visited).
"""
