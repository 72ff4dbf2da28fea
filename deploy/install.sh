#!/bin/sh
# Installs ridethrough as a service, and brings an installed one to this version. As root:
#   sh deploy/install.sh               install, or upgrade what is installed
#   sh deploy/install.sh --roll-back   go back to the version before, with its data as they were when it was left
#   sh deploy/install.sh --remove      take the program and the service away; estate file and data stay
#   sh deploy/install.sh --wheels DIR  take every package from a folder, and nothing from a network
# Run again after anything that went wrong: what is done already is left as it is.
set -eu

here=$PWD
. "$(dirname "$0")/prepare.sh"
program=/opt/ridethrough
settings=/etc/ridethrough
data=/var/lib/ridethrough
unit=/etc/systemd/system/ridethrough.service
user=ridethrough

tell() { printf '%s\n' "$*"; }
stop_with() { printf '%s\n' "$*" >&2; exit 2; }

managed() { [ -d /run/systemd/system ]; }
running() { managed && systemctl --quiet is-active ridethrough; }
as_service() { setpriv --reuid="$user" --regid="$user" --clear-groups -- "$@"; }
installed() { [ -L "$program/current" ] && readlink "$program/current" || true; }

stop_service() {
    running || return 0
    tell "Stopping the service ..."
    systemctl stop ridethrough
}

# start_service WAS_RUNNING: start it again where it ran, and wait until it says that it is ready (Type=notify)
start_service() {
    managed || { tell "No service manager runs here: start it with $program/current/bin/ridethrough run $settings/estate.toml"; return 0; }
    systemctl daemon-reload
    [ "$1" = yes ] || return 0
    tell "Starting the service ..."
    if ! systemctl start ridethrough; then
        journalctl --unit ridethrough --lines 20 --no-pager >&2 || true
        stop_with "It did not start; the last lines of its journal stand above. Back to the version before: sh deploy/install.sh --roll-back"
    fi
}

point_to() { ln -sfn "$1" "$program/.next" && mv -T "$program/.next" "$program/current"; }

make_user() {
    getent passwd "$user" >/dev/null && return 0
    useradd --system --user-group --home-dir "$data" --shell /usr/sbin/nologin "$user"
    tell "Made the user $user."
}

make_folders() {
    install -d -m 0755 "$program"
    install -d -m 0700 -o "$user" -g "$user" "$settings" "$data"
    if [ ! -e "$settings/estate.toml" ] && [ ! -e "$settings/example-estate.toml" ]; then
        for example in example-estate.toml example-secrets.toml; do
            install -m 0600 -o "$user" -g "$user" "$root/deploy/$example" "$settings/$example"
        done
        tell "Put an example of an estate file, with notes, into $settings."
    fi
}

# make_release NAME: a virtual environment of its own with exactly what is pinned, and the program as a wheel
make_release() {
    release="$program/$1"
    [ ! -e "$release/.whole" ] || return 0
    rm -rf "$release"
    base=$(python_with_venv) || exit 2
    tell "Installing what is pinned into $release (a minute or two) ..."
    "$base" -m venv "$release"
    pip() { "$release/bin/python" -m pip --quiet --disable-pip-version-check --no-input "$@" || stop_with "Installing failed; see the lines above. Nothing that was installed before has changed."; }
    if [ -n "$wheels" ]; then
        pip install --no-index --find-links "$wheels" --require-hashes -r "$root/deploy/requirements.txt"
    else
        pip install --require-hashes -r "$root/deploy/requirements.txt"
    fi
    source=$(mktemp -d)
    # From a copy, so that building leaves nothing behind in the folder it was started from.
    (cd "$root" && cp -R pyproject.toml README.md LICENSE rules collector api "$source")
    pip wheel --no-deps --no-build-isolation --no-index --wheel-dir "$source/wheel" "$source"
    pip install --no-deps --no-index "$source"/wheel/ridethrough-*.whl
    rm -rf "$source"
    cp "$root/deploy/ridethrough.service" "$release/"
    touch "$release/.whole"
}

# what tells one version from another: the program's own number, and a sum over what is installed
name_of_this() {
    number=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$root/pyproject.toml")
    sum=$(cd "$root" && find rules collector api deploy/requirements.txt deploy/ridethrough.service -type f ! -path '*__pycache__*' |
        LC_ALL=C sort | while read -r file; do sha256sum "$file"; done | sha256sum | cut -c1-10)
    printf '%s-%s' "$number" "$sum"
}

has_data() { [ -n "$(find "$data" -maxdepth 1 -name '*.sqlite' -print -quit 2>/dev/null)" ]; }

# keep_data VERSION: a copy of the data as this version leaves them, checked, beside them; the two newest are kept
keep_data() {
    has_data || return 0
    copy="$data/before-leaving-$1"
    rm -rf "$copy"
    tell "Copying the data to $copy ..."
    # An upgrade is to lock nobody out; versions that know no users have no such option.
    whole=""
    case "$(as_service "$program/$1/bin/ridethrough" backup --help)" in *--with-access*) whole=--with-access ;; esac
    # shellcheck disable=SC2086
    if ! as_service "$program/$1/bin/ridethrough" backup $whole --data "$data" "$copy" >/dev/null; then
        rm -rf "$copy"
        start_service "$ran"
        stop_with "The data could not be copied; see the lines above. Nothing has changed: version $1 is what is installed."
    fi
    for old in $(ls -1dt "$data"/before-leaving-* | tail -n +3); do rm -rf "$old"; done
}

install_or_upgrade() {
    command -v setpriv >/dev/null || stop_with "setpriv is missing. On Debian: apt-get install util-linux"
    this=$(name_of_this)
    was=$(installed)
    make_user
    make_folders
    make_release "$this"
    if [ "$this" = "$was" ]; then
        tell "Version $this is installed already."
    fi
    ran=no
    if running; then ran=yes; fi
    if [ "$this" != "$was" ]; then
        stop_service
        if [ -n "$was" ]; then
            keep_data "$was"
            printf '%s\n' "$was" >"$program/before"
        fi
        point_to "$this"
    fi
    install -m 0644 "$program/$this/ridethrough.service" "$unit"
    start_service "$ran"
    for old in "$program"/*-*/; do
        name=$(basename "$old")
        [ "$name" = "$this" ] || [ "$name" = "$(cat "$program/before" 2>/dev/null)" ] || rm -rf "$old"
    done
    if [ -n "$was" ] && [ "$this" != "$was" ]; then
        tell "Upgraded from $was to $this. Back again: sh deploy/install.sh --roll-back"
    fi
    ln -sf "$program/current/bin/ridethrough" /usr/local/bin/ridethrough
    if [ ! -e "$settings/estate.toml" ]; then
        tell "Next: let the cards of your network write the file to begin with,"
        tell "  ridethrough begin FIRST-LAST --community-file FILE --to $settings/estate.toml"
        tell "answer its questions, check it (ridethrough check $settings/estate.toml), give it and its secrets to the service"
        tell "(chown $user: $settings/*.toml; chmod 0600 $settings/*.toml), and systemctl enable --now ridethrough."
    elif [ "$ran" = no ]; then
        tell "Next: systemctl enable --now ridethrough; then look at its page (port 8470 of this machine, loopback) and at journalctl --unit ridethrough."
    fi
}

roll_back() {
    now=$(installed)
    before=$(cat "$program/before" 2>/dev/null || true)
    [ -n "$before" ] && [ -x "$program/$before/bin/ridethrough" ] || stop_with "There is no version before this one in $program."
    copy="$data/before-leaving-$before"
    ran=no
    if running; then ran=yes; fi
    stop_service
    if [ -d "$copy" ]; then
        aside="$data/of-$now-$(date -u +%Y%m%dT%H%M%SZ)"
        install -d -m 0700 -o "$user" -g "$user" "$aside"
        # The stores and what lies beside them, not the copies that were made of them.
        find "$data" -mindepth 1 -maxdepth 1 ! -name 'before-leaving-*' ! -name 'of-*' -exec mv -t "$aside" {} +
        as_service "$program/$before/bin/ridethrough" backup --restore --data "$data" "$copy" >/dev/null
        tell "The data are again as $before left them; what $now kept since lies in $aside."
    fi
    rm -f "$program/before"
    point_to "$before"
    install -m 0644 "$program/$before/ridethrough.service" "$unit"
    start_service "$ran"
    tell "Back at $before; $now stays in $program until the next upgrade."
}

remove() {
    if managed; then systemctl --quiet disable --now ridethrough 2>/dev/null || true; fi
    rm -rf "$program"
    rm -f "$unit" /usr/local/bin/ridethrough
    if managed; then systemctl daemon-reload; fi
    tell "Removed the program and the service. Estate file and data stay in $settings and $data, and the user $user with them."
}

wheels=""
what=install_or_upgrade
while [ $# -gt 0 ]; do
    case "$1" in
        --roll-back) what=roll_back ;;
        --remove) what=remove ;;
        --wheels)
            [ $# -gt 1 ] && wheels=$(cd "$here" && cd "$2" 2>/dev/null && pwd) || stop_with "--wheels wants a folder of wheels"
            shift
            ;;
        -h | --help) sed -n '2,7s/^# \{0,1\}//p' "$0"; exit 0 ;;
        *) stop_with "want --roll-back, --remove or --wheels DIR; got $1 (--help says more)" ;;
    esac
    shift
done
[ "$(id -u)" = 0 ] || stop_with "This makes a user, a service and folders below /opt, /etc and /var/lib: run it as root (sudo sh $0)."
umask 022
"$what"
