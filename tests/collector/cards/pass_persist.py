"""Serves a table of values to net-snmp's snmpd by its pass_persist protocol (snmpd.conf(5)).

Run by snmpd, not by us: it must need nothing but the standard library.
"""

import json
import sys
from pathlib import Path


def main() -> None:
    table = Path(sys.argv[1])

    def arcs(oid: str) -> tuple[int, ...]:
        return tuple(map(int, oid.strip(".").split(".")))

    while line := sys.stdin.readline():
        command = line.strip()
        if command == "PING":
            print("PONG", flush=True)
            continue
        asked = sys.stdin.readline().strip().strip(".")
        rows = json.loads(table.read_text())
        found = None
        if command == "get":
            found = asked if asked in rows else None
        elif command == "getnext":
            later = [oid for oid in rows if arcs(oid) > arcs(asked)]
            found = min(later, key=arcs) if later else None
        else:
            sys.stdin.readline()
        if found is None:
            print("NONE", flush=True)
        else:
            kind, value = rows[found]
            print(f".{found}\n{kind}\n{value}", flush=True)


if __name__ == "__main__":
    main()
