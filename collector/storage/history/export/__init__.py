"""History for other programs: `files` (readings), `sums` (summaries), `table_files` (CSV and Parquet)."""
