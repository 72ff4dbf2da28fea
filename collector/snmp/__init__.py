"""SNMP from the wire to a reading. Reads only: nothing here can set anything on a card.

In reading order:

1. `upsmib`       the standard MIB as one table
2. `ber`          the codec
3. `errors`       what can go wrong
4. `credentials`  what we show a card
5. `transport`    one socket per address family, one request in flight per card
6. `client`       one request with its retries, in the card's version; walks
7. `capability`   what a card holds, and where
8. `card`         reads a card whole, in as few requests as it bears
9. `wire`         what stood on the wire, as values to keep
10. `corrections`  what has been learnt about a card, as a set with an id
11. `decode`       wire values to a `rules.reading.Reading`
12. `meaning`      the same for values that a store kept
13. `keys`         keys and ciphers of SNMPv3
14. `secured_message`, `usm`   SNMPv3 messages; verified before they are decoded
15. `doubt`        what a card gets wrong, learnt from evidence
16. `learning`     the same for all cards of the estate, kept in the ledger
17. `probe`        one card looked at by a person
18. `survey`       finds cards in a range of addresses
19. `confirm`      which cabinet a card belongs to
20. `gate`         who may send notifications, and how often
21. `notifications` hints to poll now, decoded by pysnmp
22. `listening`    notifications for the service
"""
