#!/bin/sh
# Keeps a ruined persistence file from keeping the broker down: moves it aside, and says so.
# A power cut may leave the file filled with nulls or cut short, and mosquitto then refuses to start, for ever.
# What is lost by it: readings nobody had taken yet, and retained words, which the daemon says anew.
# usage: guard.sh [FILE]           before a start: looks at the file's head
#        guard.sh --after [FILE]   after a failed start: tries it, and moves it away only if the broker starts without it
# Always ends with 0: a guard must never be what keeps the broker down.
set -u
after=no
if [ "${1:-}" = --after ]; then
    [ "${SERVICE_RESULT:-exit-code}" = exit-code ] || exit 0 # set by systemd; anything else is no refusal to start
    after=yes
    shift
fi
file=${1:-/var/lib/mosquitto/mosquitto.db}
[ -s "$file" ] || exit 0 # mosquitto takes an empty one itself

starts() { # [FILE]: does a broker start on it? On a copy, reachable by nobody.
    place=$(mktemp -d) || return 0
    [ $# -eq 0 ] || cp "$1" "$place/mosquitto.db" || return 0
    printf '%s\n' "listener 0 $place/socket" "allow_anonymous true" "persistence true" "persistence_location $place/" \
        "log_dest none" >"$place/mosquitto.conf"
    chown -R mosquitto "$place" 2>/dev/null
    timeout 5 "$(PATH=$PATH:/usr/sbin command -v mosquitto)" -c "$place/mosquitto.conf" >/dev/null 2>&1
    code=$?
    rm -rf "$place"
    [ "$code" = 124 ] # it ran until its time was up
}

# The file begins with: null, 0xB5, null, "mosquitto db" (mosquitto's own source, persist.h).
first=$(od -An -tx1 -N15 "$file" 2>/dev/null | tr -d ' \n')
if [ "$first" != "00b5006d6f7371756974746f206462" ]; then
    why="it does not begin as one"
elif [ "$after" = yes ] && ! starts "$file" && starts; then
    why="the broker starts without it, and not with it"
else
    exit 0
fi

number=1
for kept in "$file".damaged-*; do
    last=${kept##*-}
    case $last in '' | *[!0-9]*) continue ;; esac
    [ "$last" -lt "$number" ] || number=$((last + 1))
done
if mv "$file" "$file.damaged-$number"; then
    echo "warmstraw: $file is no persistence file ($why): kept as $file.damaged-$number; the broker begins anew." >&2
    echo "warmstraw: readings that were waiting in it are lost; look at the card and its power supply." >&2
    # Each may be megabytes, and a failing card makes one at every start: the last three are enough to look into.
    old=$((number - 3))
    while [ "$old" -ge 1 ] && [ -e "$file.damaged-$old" ]; do
        rm -f "$file.damaged-$old"
        old=$((old - 1))
    done
else
    echo "warmstraw: $file is no persistence file ($why) and cannot be moved away." >&2
fi
exit 0
