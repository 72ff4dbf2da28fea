"""What is wrong: `alarm_list`, `undelivered` (messages that did not arrive)."""
