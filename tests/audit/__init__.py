"""Every statement of the service held against the truth of a simulated plant at the moment it was made.

Read in this order: `estates` (whole plants drawn by a seed, and what a site declares of them), `happenings` (what may
happen beside the simulation's own cues), `stories` (an estate and its hour, drawn by a seed), `world` (the truth of it
at every second, and the cards that speak for it), `wire` (no threads, no waiting, and no sockets unless asked for), `play` (a story through
the whole service), `statements` (everything that was said, with its moments), `predicates` (what must be so where it is
said), `omissions` (what should have been said), `verdict` (all of that for one story), `shrink`, `figures`.

    python -m tests.audit --seed 1 --story 17        # one story: what was said, what was so, what was false
    python -m tests.audit --seed 1 --stories 200     # many, with a table of every kind
"""
