"""From a change to an acknowledged message.

Read in this order: `calling` (who wants to be told of what), `recipients`, `letter` (what is
written), `bursts` (many sites at once), `rate` (not too many), `needless` (what need not be sent any more), `late` (what comes late), `state`,
`handover` (what is told when
somebody's hours begin), `answer_links` (by which people answer), `dispatch` (by which channel), `outbox` (until acknowledged), `trial` (a test message), `office` (all of it),
`taking_on` (somebody has it, and the others are told), `broker_answers` (the same by a message to a broker).
"""
