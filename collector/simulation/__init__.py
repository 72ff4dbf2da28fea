"""An estate that answers SNMP on loopback, with physics of its own and a known truth."""
