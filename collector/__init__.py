"""The daemon: reads cards, keeps what it read, asks the rules, tells people. Never imports `api`.

Floors, from the ground up; imports run downward only, and a contract holds that:

1. `process`        the host: clocks, tasks that end, files written whole
2. `storage`        what is kept: history of readings, ledger, data folder
3. `cards`          all of a network card: SNMP, the UPS MIB, what cards get wrong, when each is read
4. `configuration`  the estate file
5. `recorder`       the one line through which everything passes: batch, commit, what is true now
6. `messaging`      people and brokers, until acknowledged
7. `assessment`     what is costly, asked of the judging process
8. `planning`       questions about plans; answers kept ready
9. `read_model`     all that pages, HTTP and commands show, live or stored
10. `simulation`    an estate with physics of its own
11. `service`       all of it made and joined
"""
