"""How rows move from the day's table into the years': `steps`, `due`, `hour_chunks`, `run_files`, `fold`; `taking_out`: how an import goes out again."""
