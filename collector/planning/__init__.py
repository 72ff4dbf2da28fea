"""Questions about plans, and answers kept ready.

Read in this order: `planner` (asks and answers), `replacement_programme` (what to replace and service, when), `played_before` (what need not be played
again), `refresh` (one after the other), `isolation_answers`,
`shutdown_answers`, `what_if` (a shutdown somebody asks about), `size_answers`, `estate_ridethrough`, `shed_advice` (what to shed first), `signed_book`
(what was signed), `signed_shutdowns` (signed, followed, compared), `planned_work` (what they explain), `test_dates`,
`pasted_table` (a maker's table as people paste it), `table_trial` (what it would come to).
"""
