"""The physics of the simulated estate: one pure step.

`wander` (noise as a function of time), `battery`, `charging`, `published` (the table the maker would print), `load`,
`supply` (mains and set), `unit`, `system`, `world`, `truth` (what is really so).
"""
