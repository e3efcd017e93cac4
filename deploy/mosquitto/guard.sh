#!/bin/sh
# Before the broker starts: moves a persistence file aside that it could not read, and says so.
# A power cut may leave the file empty or filled with nulls, and mosquitto then refuses to start, for ever.
# What is lost by it: readings nobody had taken yet, and retained words, which the daemon says anew.
# usage: guard.sh [FILE]     always ends with 0: a guard must never keep the broker from starting
set -u
file=${1:-/var/lib/mosquitto/mosquitto.db}
[ -e "$file" ] || exit 0

# The file begins with: null, 0xB5, null, "mosquitto db" (mosquitto's own source, persist.h).
first=$(od -An -tx1 -N15 "$file" 2>/dev/null | tr -d ' \n')
[ "$first" = "00b5006d6f7371756974746f206462" ] && why="" || why="it does not begin as one"
# The head may have reached the card and the rest not: a last block of nothing but nulls.
if [ -z "$why" ] && [ -z "$(tail -c 512 "$file" | tr -d '\0' | head -c 1)" ]; then
    why="it ends in nothing but nulls"
fi
[ -n "$why" ] || exit 0

number=1
while [ -e "$file.damaged-$number" ]; do number=$((number + 1)); done
if mv "$file" "$file.damaged-$number"; then
    echo "warmstraw: $file is no persistence file ($why): kept as $file.damaged-$number; the broker begins anew." >&2
    echo "warmstraw: readings that were waiting in it are lost; look at the card and its power supply." >&2
    # Each may be megabytes, and a failing card makes one at every start: three are enough to look into.
    old=$((number - 3))
    while [ "$old" -ge 1 ] && [ -e "$file.damaged-$old" ]; do
        rm -f "$file.damaged-$old"
        old=$((old - 1))
    done
else
    echo "warmstraw: $file is no persistence file ($why) and cannot be moved away." >&2
fi
exit 0
