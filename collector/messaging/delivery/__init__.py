"""From a change to an acknowledged message.

Read in this order: `calling` (who wants to be told of what), `recipients`, `letter` (what is
written), `bursts` (many sites at once), `rate` (not too many), `needless` (what need not be sent any more), `state`,
`handover` (what is told when
somebody's hours begin), `dispatch` (by which channel), `outbox` (until acknowledged), `trial` (a test message), `office` (all of it).
"""
