"""Ways to a person or a machine: `channel` (what each must do), `mail`, `webhook`, `command`, `syslog`, `snmp_notification`, `heartbeat`."""
