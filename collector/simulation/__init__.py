"""An estate that answers SNMP on loopback, with physics of its own and a known truth.

The judge must not be examined by itself: nothing here imports a rule about batteries or systems. Read in
this order:

1. `battery`, `charging`, `published`   a bank: two wells, a charger, and the table its maker would print
2. `wander`, `load`, `supply`           noise as a function of time, the load, the mains and the set
3. `unit`, `system`, `world`            cabinets, cabinets in parallel, the whole estate: one pure step
4. `card`, `awkward`, `agent`           what an honest card says, how cards lie, and the UDP socket;
   `secured`, `notices`                 SNMPv3 before it; the notifications it sends
5. `director`, `script`, `scenario`     events, the demonstration's play, and its invented sites
6. `quiet`, `past`, `records`           units at rest, two years of readings behind, its discharges as evidence;
   `meanwhile`                          the time in which it was stopped
7. `estate`, `truth`                    all of it running; what is really so
   `score`, `scorekeeper`, `score_file` how good predictions were, kept over restarts
8. `varied`                             random systems with a known truth, for the long trials
"""
