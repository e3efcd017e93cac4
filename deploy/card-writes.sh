#!/bin/sh
# How much is written to the card in a day: counted at the device, and by daemon, broker and journal.
# usage: sudo sh card-writes.sh [MINUTES]      (60 when left out; the longer, the truer)
set -eu
minutes=${1:-60}
folder=${STORE_FOLDER:-/var/lib/warmstraw}
device=$(df -P "$folder" | awk 'NR == 2 { print $1 }')
name=$(basename "$(readlink -f "$device")")
[ -r "/sys/class/block/$name/stat" ] || { echo "$device has no counters of its own; name a folder on the card: STORE_FOLDER=…" >&2; exit 2; }

device_bytes() { awk '{ print $7 * 512 }' "/sys/class/block/$name/stat"; } # sectors written, 512 bytes each (kernel docs: stat)
process_bytes() { # NAME: of all processes of that name
    total=0
    for id in $(pgrep -x "$1" || true); do
        part=$(awk '/^write_bytes/ { print $2 }' "/proc/$id/io" 2>/dev/null || echo 0)
        total=$((total + part))
    done
    echo "$total"
}
before=$(device_bytes) daemon=$(process_bytes warmstraw) broker=$(process_bytes mosquitto) journal=$(process_bytes systemd-journal)
echo "counting for $minutes minutes on $device …"
sleep $((minutes * 60))
day() { awk -v b="$1" -v m="$minutes" 'BEGIN { printf "%.1f", b / 1e6 * 1440 / m }'; }
printf '%-28s %8s MB a day\n' "the whole device" "$(day $(($(device_bytes) - before)))" \
    "  of it the daemon" "$(day $(($(process_bytes warmstraw) - daemon)))" \
    "  the broker" "$(day $(($(process_bytes mosquitto) - broker)))" \
    "  the journal" "$(day $(($(process_bytes systemd-journal) - journal)))"
