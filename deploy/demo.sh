#!/bin/sh
# Starts the demonstration: a simulated estate that answers SNMP on loopback, and the whole service on it.
# Everything after the name goes to `ridethrough demo`, e.g. `sh deploy/demo.sh --port 9000`.
set -eu
. "$(dirname "$0")/prepare.sh"
prepare requirements.txt
exec "$root/.venv/bin/ridethrough" demo "$@"
