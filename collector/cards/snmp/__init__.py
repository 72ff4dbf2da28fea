"""SNMP v1, v2c and v3 as we ask it: nothing here can set anything, nothing here knows of units.

Read in this order: `ber` (the codec), `errors`, `credentials` (what we show a card), `target` (where it answers),
`keys` (keys and ciphers of SNMPv3), `secured_message`, `hearsay` (what is said unsigned), `usm` (messages verified
before they are decoded), `transport` (one socket per address family, one request in flight per card), `last_reply`
(what moved since), `client` (one request with its retries; walks).
"""
