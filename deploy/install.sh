#!/bin/sh
# Install ovigil as a service, or upgrade it. Safe to run again at any time.
#
#   sudo sh deploy/install.sh [ovigil-VERSION.whl]
#
# Without a wheel it is built from the source tree that this script lies in. Everything
# that is fetched is held against the hashes in requirements.txt beside this script.
# What is yours (/etc/ovigil, the broker's config, the logbook) is never overwritten.
set -eu
umask 022

deploy=$(cd "$(dirname "$0")" && pwd)
opt=/opt/ovigil
etc=/etc/ovigil
state=/var/lib/ovigil
units=/etc/systemd/system
user=ovigil
patience=30
fresh=no
work=

say() { echo "ovigil: $*"; }
fail() { echo "ovigil: $*" >&2; exit 1; }
clean() { if [ -n "$work" ]; then rm -rf "$work"; fi; }
trap clean EXIT
trap 'exit 130' INT TERM

has_systemd() { [ -d /run/systemd/system ]; }

look_around() {
    [ "$(id -u)" = 0 ] || fail "run this as root (sudo sh $0)"
    command -v python3 >/dev/null || fail "python3 is missing: apt install python3 python3-venv"
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11) or sys.maxsize < 2**32)' ||
        fail "Python 3.11 or later on a 64-bit system is needed"
    python3 -c 'import ensurepip, venv' 2>/dev/null ||
        fail "python3-venv is missing: apt install python3-venv"
    work=$(mktemp -d)
}

make_user() {
    if ! getent passwd "$user" >/dev/null; then
        useradd --system --user-group --home-dir "$state" --no-create-home --shell /usr/sbin/nologin "$user"
        say "made the system user $user"
    fi
}

# Set $wheel, $version and $digest.
find_wheel() {
    if [ $# -gt 0 ]; then
        [ -f "$1" ] || fail "there is no $1"
        wheel=$1
    else
        python3 -m venv "$work/build"
        "$work/build/bin/pip" install -q --require-hashes --only-binary :all: \
            -r "$deploy/requirements-build.txt"
        "$work/build/bin/pip" wheel -q --no-deps --no-build-isolation -w "$work/wheel" "$deploy/.."
        wheel=$(echo "$work"/wheel/ovigil-*.whl)
    fi
    version=$(basename "$wheel" | cut -d- -f2)
    digest=$(cat "$wheel" "$deploy/requirements.txt" | sha256sum | cut -c1-64)
}

# Set $target: a virtual environment with exactly this wheel.
make_environment() {
    target=$opt/$version
    if [ -f "$target/.complete" ] && [ "$(cat "$target/.complete")" != "$digest" ]; then
        target=$opt/$version+$(echo "$digest" | cut -c1-8)
    fi
    if [ -f "$target/.complete" ]; then
        say "$(basename "$target") is installed already"
        return
    fi
    rm -rf "$target"
    mkdir -p "$opt"
    python3 -m venv "$target"
    "$target/bin/pip" install -q --require-hashes --only-binary :all: -r "$deploy/requirements.txt"
    "$target/bin/pip" install -q --no-deps --no-index "$wheel"
    "$target/bin/ovigil" --help >/dev/null || fail "the new version does not start; nothing was changed"
    echo "$digest" >"$target/.complete"
    sync "$target/.complete"
    say "installed $(basename "$target")"
}

make_config() {
    install -d -m 755 "$etc"
    install -d -m 700 -o "$user" -g "$user" "$etc/credentials"
    if [ ! -e "$etc/room.toml" ]; then
        install -m 644 "$deploy/room.toml" "$etc/room.toml"
        fresh=yes
        say "wrote a config to begin with: $etc/room.toml"
    fi
    for secret in "$etc"/credentials/*; do
        if [ -f "$secret" ]; then
            chown "$user:$user" "$secret"
            chmod 600 "$secret"
        fi
    done
}

# A password of 20 letters and digits (about 119 bits).
password() { python3 -c 'import secrets, string; print("".join(secrets.choice(string.ascii_letters + string.digits) for _ in range(20)))'; }

make_broker() {
    folder=/etc/mosquitto
    [ -d "$folder/conf.d" ] || return 0
    if [ -e "$folder/conf.d/ovigil.conf" ]; then return 0; fi
    if grep -Eqs '^[[:space:]]*(listener|port|password_file|allow_anonymous|max_queued_messages|max_inflight_messages|autosave_interval)[[:space:]]' \
        "$folder"/mosquitto.conf "$folder"/conf.d/*.conf; then
        say "the broker has a config of its own and keeps it; compare it with $deploy/mosquitto-ovigil.conf"
        return 0
    fi
    if [ ! -e "$folder/ovigil.passwd" ]; then
        watch=$(password)
        sensors=$(password)
        (
            umask 077
            echo "$user:$watch" >"$work/passwd"
            echo "sensors:$sensors" >>"$work/passwd"
            mosquitto_passwd -U "$work/passwd"
            if [ ! -e "$etc/credentials/broker" ]; then echo "$watch" >"$etc/credentials/broker"; fi
            echo "$sensors" >"$etc/sensors-password"
        )
        chown "$user:$user" "$etc/credentials/broker"
        install -m 600 -o mosquitto -g mosquitto "$work/passwd" "$folder/ovigil.passwd"
        say "sensors log in as \"sensors\"; their password is in $etc/sensors-password"
    fi
    # The bool of the main file may be given once only in some releases.
    if grep -Eqs '^[[:space:]]*persistence[[:space:]]+true' "$folder/mosquitto.conf"; then
        sed '/^persistence true$/d' "$deploy/mosquitto-ovigil.conf" >"$work/broker.conf"
    else
        cp "$deploy/mosquitto-ovigil.conf" "$work/broker.conf"
    fi
    install -m 644 "$work/broker.conf" "$folder/conf.d/ovigil.conf"
    say "set up the broker: $folder/conf.d/ovigil.conf"
    if has_systemd; then systemctl try-restart mosquitto.service || say "the broker does not restart: look at its log"; fi
}

make_command() {
    if [ -e /usr/local/bin/ovigil ] && ! grep -q "^# ovigil: the keeper's commands" /usr/local/bin/ovigil; then
        say "/usr/local/bin/ovigil is not ours and stays; call $opt/current/bin/ovigil"
        return 0
    fi
    install -m 755 "$deploy/ovigil.sh" "$work/ovigil"
    mkdir -p /usr/local/bin
    mv "$work/ovigil" /usr/local/bin/ovigil
}

make_units() {
    for unit in ovigil.service ovigil-page.service ovigil-uplink.service; do
        install -m 644 "$deploy/$unit" "$units/$unit"
    done
    if has_systemd; then systemctl daemon-reload; fi
}

point_to() { ln -sfn "$(basename "$1")" "$opt/current"; }

# Start or restart the watch; succeed when it says READY in time.
started() { timeout "$patience" systemctl restart ovigil.service; }

# Keep the logbook as it is: the new version may change its tables.
keep_logbook() {
    kept=$state-before-$(basename "$target")
    systemctl stop ovigil-uplink.service ovigil-page.service ovigil.service 2>/dev/null || true
    rm -rf "$state"-before-*
    if [ -d "$state" ] && ! cp -a "$state" "$kept"; then
        rm -rf "$kept"
        started || true
        start_others
        fail "no room to keep the logbook in $kept: nothing was changed, still on $(basename "$previous")"
    fi
}

go_back() {
    say "the new version is not ready after $patience s: going back to $(basename "$previous")"
    systemctl stop ovigil.service || true
    point_to "$previous"
    if [ -d "$kept" ]; then
        rm -rf "$state-of-$(basename "$target")"
        mv "$state" "$state-of-$(basename "$target")"
        mv "$kept" "$state"
    fi
    systemctl reset-failed ovigil.service || true
    started || fail "the old version does not start either: journalctl -u ovigil"
    start_others
    fail "still on $(basename "$previous"); see journalctl -u ovigil; its logbook is in $state-of-$(basename "$target")"
}

start_others() {
    for unit in ovigil-page.service ovigil-uplink.service; do
        if systemctl -q is-enabled "$unit"; then systemctl restart "$unit" || say "$unit does not start"; fi
    done
}

switch_over() {
    previous=
    if [ -L "$opt/current" ]; then previous=$opt/$(readlink "$opt/current"); fi
    if ! has_systemd; then
        point_to "$target"
        say "no service manager here: start it with $opt/current/bin/ovigil run $etc/room.toml"
        return 0
    fi
    if [ -z "$previous" ] || [ ! -x "$previous/bin/ovigil" ]; then
        point_to "$target"
        systemctl -q enable ovigil.service ovigil-page.service
        started || fail "the watch is not ready: journalctl -u ovigil"
        start_others
    elif [ "$previous" = "$target" ]; then
        if ! systemctl -q is-active ovigil.service; then started || fail "the watch is not ready: journalctl -u ovigil"; fi
    else
        keep_logbook
        point_to "$target"
        started || go_back
        start_others
        drop_old
    fi
}

# Keep this version and the one before it.
drop_old() {
    for old in "$opt"/*; do
        if [ -L "$old" ] || [ "$old" = "$target" ] || [ "$old" = "$previous" ]; then continue; fi
        rm -rf "$old"
    done
}

look_around
make_user
find_wheel "$@"
make_environment
make_config
make_broker
make_command
make_units
switch_over
say "$(basename "$target") is in place"
if [ "$fresh" = yes ]; then say "next: edit $etc/room.toml, then: ovigil check $etc/room.toml && systemctl reload ovigil"; fi
