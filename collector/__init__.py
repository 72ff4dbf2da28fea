"""The daemon: reads cards, keeps what it read, asks the rules, tells people. Never imports `api`."""
