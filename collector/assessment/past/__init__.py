"""A site's past from elsewhere: readings that a logger or an earlier program kept, brought as a file.

Read in this order: `quantities` (what a column may hold), `column_map` (which column holds it), `moments` (times as people
write them), `tables` (rows of CSV and Parquet), `judged_whole` (what a file's figures say of themselves), `prepared` (a file
made ready, beside the stores), `reading_file` (the way there), `found_discharges` (the times on the bank in it), `still_volts` (whose volts stand), `taking` (the
running service takes it on), `taking_back` (and takes it back), `imports_known`
(what the ledger has of it).
"""
