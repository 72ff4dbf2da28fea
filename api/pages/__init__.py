"""The page: server-rendered sheets and their drawings, each a pure function of one value.

Read in this order: `markup` (how text becomes safe, what drawings share), `alarms`, `hold_up`, `banks`, `plans`,
`units` (the numbered questions), `estate` (all of them in a row a system), `sheets` (the pages, by address), `view` (kept
until there is news), `live` (the stream), `problem_pages` (what a person sees where a program gets a problem document).
"""
