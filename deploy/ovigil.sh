#!/bin/sh
# ovigil: the keeper's commands.
# A command about this board's room runs as the service's user on the service's logbook;
# any other (another config, no config) runs as whoever calls it, on their own files.
set -eu

room=${OVIGIL_WRAPPER_ROOM:-/etc/ovigil/room.toml}
program=${OVIGIL_WRAPPER_PROGRAM:-/opt/ovigil/current/bin/ovigil}
state=${OVIGIL_WRAPPER_STATE:-/var/lib/ovigil}
user=ovigil
unset OVIGIL_WRAPPER_ROOM OVIGIL_WRAPPER_PROGRAM OVIGIL_WRAPPER_STATE

here=no
for word in "$@"; do
    if [ "$word" -ef "$room" ]; then here=yes; fi
done

if [ "$here" = no ]; then
    exec "$program" "$@"
fi

STATE_DIRECTORY=$state
export STATE_DIRECTORY
if [ "$(id -un)" = "$user" ] || ! id -u "$user" >/dev/null 2>&1; then
    exec "$program" "$@"
fi
if [ "$(id -u)" = 0 ] && command -v runuser >/dev/null 2>&1; then
    umask 077
    exec runuser -u "$user" -- "$program" "$@"
fi
if command -v sudo >/dev/null 2>&1; then
    exec sudo -u "$user" -- env "STATE_DIRECTORY=$state" "$program" "$@"
fi
echo "ovigil: only root and the user $user can read the logbook in $state (neither runuser nor sudo will do)" >&2
exit 77
