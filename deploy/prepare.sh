# Sourced by demo.sh, test.sh and install.sh: finds a Python; makes .venv once, and again whenever a pin changed.
# Leaves $root and $python set. Wants Python 3.11 or newer and nothing else.

root=$(cd "$(dirname "$0")/.." && pwd)
cd "$root"
python="$root/.venv/bin/python"

say() { printf '%s\n' "$*" >&2; }

find_python() {
    for name in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$name" >/dev/null 2>&1 &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return 0
        fi
    done
    say "ridethrough wants Python 3.11 or newer, and found none. On Debian or Ubuntu, as root: apt-get install python3 python3-venv"
    return 1
}

# python_with_venv: one that can also make a virtual environment
python_with_venv() {
    found=$(find_python) || return 1
    if ! "$found" -c 'import venv, ensurepip' 2>/dev/null; then
        version=$("$found" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
        say "This Python ($found) cannot make a virtual environment. On Debian or Ubuntu, as root: apt-get install python$version-venv"
        return 1
    fi
    printf '%s\n' "$found"
}

# sum_of REQUIREMENTS: what tells that nothing has changed since the file was installed
sum_of() { cat "$root/deploy/$1" "$root/pyproject.toml" | cksum; }

# prepare REQUIREMENTS: install exactly what the file pins, checked against its hashes
prepare() {
    requirements="$root/deploy/$1"
    if [ -x "$python" ] && [ "$(cat "$root/.venv/.installed-$1" 2>/dev/null)" = "$(sum_of "$1")" ]; then
        return 0
    fi
    base=$(python_with_venv) || exit 2
    [ -x "$python" ] || { say "Making .venv ..."; "$base" -m venv "$root/.venv"; }
    say "Installing what $1 pins (once; a minute or two) ..."
    "$python" -m pip install --quiet --disable-pip-version-check --no-input --require-hashes -r "$requirements" ||
        { say "Installing failed; see the lines above. With no way to a package index, point pip at yours and run again."; exit 2; }
    "$python" -m pip install --quiet --disable-pip-version-check --no-input --no-deps --no-build-isolation --editable "$root"
    # what the tests need holds all that the service needs, at the same versions
    for installed in "$1" requirements.txt; do
        sum_of "$installed" >"$root/.venv/.installed-$installed"
    done
}
