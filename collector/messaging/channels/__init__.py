"""Ways to a person or a machine: `channel` (what each must do), `mail`, `mail_replies` (answers by mail), `webhook`, `command`, `syslog`, `snmp_notification`, `heartbeat`."""
