"""SNMP from the wire to a reading: codec, transport, the standard MIB, decoding."""
