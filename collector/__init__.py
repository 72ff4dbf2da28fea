"""The daemon: reads cards, keeps what it read, asks the rules, tells people. Never imports `api`.

Read in this order:

1. `configuration`  the estate file: plant for the rules; addresses, secrets and people for the collector
2. `clock`, `schedule`, `polling`   when each card is read, and how one card is kept being read; `trace`: its last polls; `snmp`: how; `heard`: what cards send unasked;
   `stopping`: how tasks end when they are asked to
3. `recording`      the one line through which everything passes, in `batch`es; `samples`: what an answer means; `calm`: which rest; `views`: what is
   known of a system; `pace`: how fast it is read; `punctuality`, `reading_ages`: how late we are, and how old what we
   know is; `keeping`: one transaction of `lines` and `memories`
   (`watch_keeping`, `countdowns`, `load_records`); `last_seen`: read back at a start
4. `data_folder`, `folder_lock`, `database`, `history`, `ledger`  what is kept; `partner`: neither is lost
   unnoticed; `tidying`: folded while the service runs; `exact_spans`: what stays exact for ever; `letting_go`: whether the clock can be believed before anything is let go
5. `present`        what is true now
   `teaching`       what people prove at the cabinets meanwhile
6. `worker`, `judging`, `bank_judging`, `live_judging`   what is costly, asked of the judging process
7. `discharges`, `bank_evidence`, `evidence`   discharges kept whole, and what a judgement of a bank rests on
8. `planner`        questions about plans; `aftermath`: what came back after an outage; `testimony`, `set_words`: who says so;
   `transfers`: which units came back late; `unit_work`: work on a unit, followed; `shed_adviser`: what to shed first;
   `budget`: what such work may cost in all; `rounds`, `taking_out`, `switching_off`: answers kept ready; `signed_plans`: shutdowns signed, followed, compared
9. `delivery`       messages until acknowledged; `self_watch`: the service's own figures
10. `assembly`      all of it made and joined; `service`: started and stopped, and what `api` may touch; `card_readers`, `replacements`
11. `simulation`    an estate with physics of its own
12. `store_files`, `upkeep`, `exporting`, `whole_file`, `stored`, `confirming`, `capacity_files`, `alarm_quality`, `notify`, `wall_clock`   what single commands need
"""
