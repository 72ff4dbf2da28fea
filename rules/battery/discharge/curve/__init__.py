"""The voltage of a cell along a discharge: `voltage` (its course), `prior_table` (what is known of it before any
discharge, learnt), `type_shape` (how a type of block departs from that).
"""
