"""The one line through which everything passes: readings, answers and actions, in batches, each committed whole.

Read in this order: `batch` (what may be in one, and what came of it), `samples` (what a card's answer means),
`skip_judging` (what need not be judged), `system_views` (what is known of a system), `persistent` (the protocol of all that
outlives a restart), `monitor_state`, `trackers` (what is followed over many batches), `parts` (what is made before the
recorder, and to whom it hands things on), `journal_lines`, `commit` (one transaction), `current_state` (what is true
now), `punctuality`, `reading_ages` (how late we are, and how old what we know is), `startup` (read back), `recorder`.
"""
