#!/bin/sh
# Installs what tests need and runs them all: format, lint, types, imports, tests.
#   sh deploy/test.sh            everything
#   sh deploy/test.sh --quick    no slow tests, no real servers; about a minute
#   sh deploy/test.sh -k word    further arguments go to pytest
set -eu
. "$(dirname "$0")/prepare.sh"

# command that must be there, and the Debian packages that bring it
servers="snmpd:snmpd snmpget:snmp mosquitto:mosquitto mosquitto_sub:mosquitto-clients influxd:influxdb chromium:chromium chromedriver:chromium-driver systemd-analyze:systemd nginx:nginx-light rsyslogd:rsyslog+rsyslog-openssl"

install_servers() {
    lacking=""
    for pair in $servers; do
        PATH="$PATH:/usr/sbin" command -v "${pair%%:*}" >/dev/null 2>&1 || lacking="$lacking $(echo "${pair#*:}" | tr + " ")"
    done
    [ -n "$lacking" ] || return 0
    line="apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install --yes --no-install-recommends$lacking"
    if [ "$(id -u)" != 0 ]; then
        say "The tests read real servers that are not installed. Run this once as root, then run the tests again:"
        say "  $line"
        exit 2
    fi
    say "Installing$lacking ..."
    log=$(mktemp)
    # The packages' own services must not start: the tests start each server themselves, on loopback.
    if ! RUNLEVEL=1 sh -c "$line" >"$log" 2>&1; then
        cat "$log" >&2
        say "Installing failed; the package manager's words stand above."
        exit 2
    fi
    rm -f "$log"
}

quick=""
if [ "${1:-}" = "--quick" ]; then
    quick=yes
    shift
fi
prepare requirements-test.txt
[ -n "$quick" ] || install_servers

bin="$root/.venv/bin"
PATH="$bin:$PATH:/usr/sbin"
export PATH
# One thread a process: the tests measure nothing, and two cores are shared with real servers.
cores=$(nproc)  # asked first: it takes the next line for its answer
OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
export OMP_NUM_THREADS OPENBLAS_NUM_THREADS
# Compiled modules are kept, whatever stands here: the tests start some hundred processes, and each would compile them all.
PYTHONDONTWRITEBYTECODE=""
export PYTHONDONTWRITEBYTECODE
# mypy keeps one core busy; the other compiles what every process of the tests would otherwise compile for itself
"$bin/pytest" --collect-only --quiet >/dev/null 2>&1 &
compiling=$!

say "Format, lint, types, imports ..."
"$bin/ruff" format --check .
"$bin/ruff" check .
"$bin/mypy"
"$bin/lint-imports"

wait "$compiling" || true  # what is wrong with the tests, they say themselves
say "Tests ..."
# Two processes more than cores, since a third of the time is waiting for servers and clocks; whoever is ready first takes over.
side_by_side="--numprocesses $((cores + 2)) --dist worksteal"
if [ -n "$quick" ]; then
    exec "$bin/pytest" $side_by_side -m "not slow and not real_server" "$@"
fi
exec "$bin/pytest" $side_by_side "$@"
