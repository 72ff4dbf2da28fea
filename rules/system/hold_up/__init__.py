"""How long a system holds its load: its banks, each as it is believed to be, played to the end.

Read in this order: `sharing` (who carries what, and too much of it for how long), `play` (banks played to their end),
`sheds` (loads dropped meanwhile), `task` (what is asked), `sampling` (what is drawn), `end_of_life` (banks as they will
be), `grounds` (why it is so), `judgement` (now, with each unit lost, at the end of life).
"""
