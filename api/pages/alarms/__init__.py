"""What is wrong: `alarm_list`, `on_call` (who is), `undelivered` (messages that did not arrive)."""
