#!/bin/sh
# Set everything up in this clone and run the demo or the tests. Safe to run again.
#
#   sh deploy/try.sh demo    a made-up night in a minute
#   sh deploy/try.sh test    format, lint, types and every test of the fast tier
#
# Root is needed only where a Debian package is missing; then apt-get is called as root or
# through sudo. Everything else stays in the folder .venv of this clone.
set -eu
cd "$(dirname "$0")/.."

say() { printf '%s\n' "$*" >&2; }

as_root() {
    if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi
}

# packages NAME... : install the Debian packages that are missing
packages() {
    missing=""
    for name in "$@"; do
        dpkg-query -W -f '${Status}' "$name" 2>/dev/null | grep -q 'ok installed' || missing="$missing $name"
    done
    [ -n "$missing" ] || return 0
    say "installing Debian packages:$missing"
    export DEBIAN_FRONTEND=noninteractive
    as_root apt-get update -qq
    # shellcheck disable=SC2086 # a list of names
    as_root apt-get install -y -qq --no-install-recommends $missing >/dev/null
}

# environment EXTRA : make .venv and install this clone into it
environment() {
    python3 -c 'import ensurepip, venv' 2>/dev/null || packages python3-venv
    [ -x .venv/bin/python ] || python3 -m venv .venv
    say "installing Python packages into .venv"
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --editable ".$1"
}

case "${1:-}" in
demo)
    environment ""
    exec .venv/bin/ovigil demo
    ;;
test)
    packages mosquitto nginx-light influxdb chromium chromium-driver fonts-dejavu-core \
        systemd iproute2 e2fsprogs strace openssl
    command -v npm >/dev/null 2>&1 || packages npm
    environment "[dev]"
    [ -d tests/page/node_modules/axe-core ] ||
        npm install --prefix tests/page --no-save --no-package-lock --silent --no-audit --no-fund axe-core@4
    exec .venv/bin/poe all
    ;;
*)
    say "usage: sh deploy/try.sh demo|test"
    exit 2
    ;;
esac
