"""What is followed over many batches and kept with them.

`outages` (what came back after a supply was lost; `outage_memory`: what is kept of it), `generator_reports` (who says so), `transfers` (which units came
back late), `unit_work`, `countdowns` (what each end was last foretold from), `discharges` (kept whole), `kept_discharge` (one bank's, as it grows),
`missing_charge` (what a bank had not back), `load_records` and `load_backfill` (peaks, and those of years before).
`snapshot_keeping`: how most of them outlive a restart.
"""
