"""The page: server-rendered sheets and their drawings, each a pure function of one value.

In reading order: model (what a sheet shows), markup (how text becomes safe), words (how figures are written),
drawing (what the drawings share), minutes, outage_graph, ruler, years, track (the drawings), sentences (a system in
one sentence), the *_section modules (the numbered questions), overview and the *_sheet modules (the pages),
frame and assets (what is around them), sheets (all of it by address).
"""
