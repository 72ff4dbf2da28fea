"""What must be so of the plant where something is said, a function for each kind of statement.

Written from the plant's side: from modes, feeds, wells and watts, never by judging anew what the rules judged. Read
`registry` first: it joins the modules (`power`, `load`, `holding`, `needs`, `sets`, `outages`, `alarms`, `units`, `events`,
`banks`, `news`, `isolation`, `letters`), and says of which kinds no story can decide, and why (`undecided`).
"""
