"""One cause, one incident, few messages: alarms are gathered along site, supply, switchboard, system, unit.

Theory of operation. An alarm that becomes active joins an incident by its *key*: units on their banks by their
supply, silent cards by their site, what follows from a cause (redundancy, requirements) by the incident that
touches their system, anything else by its unit or by itself. Two supplies never share a key. No key and no rule
reaches from one site to another. `regroup` looks at nothing about the order in which alarms came, so readings that
are simultaneous give the same incident in any order. It may leave out an incident that is not `lively` and none of
whose alarms changed: to look at it again changes nothing.

Every alarm that must be told is *pending* in its incident until a notice names it; a notice is due one window after
the first sign (at once when all siblings have been read, or for what is broken out). That is the guarantee that no
active alarm stays untold. After the opening only material changes are told: a new alarm, a worse severity, an end
that moved nearer, a system lost from sight or back on supply.

Read in this order: `incident` (the value), `context` (what a step stands on), `placing` (which incident an alarm
belongs to), `extent` (what an incident is now), `closing` (when it is over), `telling` (what is to be told of it, and when), `regroup` (the whole step).
"""
