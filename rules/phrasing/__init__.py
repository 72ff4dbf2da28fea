"""How it is said: sentences, numbers, durations and days. No rule reads back what is made here.

`figures`, `cold` (how cold a room gets, and who says so), `durations`, `dates`, `text` (alarms), `notice_case`, `outage_notices` and `notices` (incidents), `signed_shutdown` (plans),
`programme_text` (CSV and calendar), `safety` (the sentences that every plan carries); `reasons` says a reason, by the `sentences`
that `says` finds for its code; `wire` (the JSON that
programs get).
"""
