#!/bin/sh
# Fills a folder with every Python package the daemon needs, for a board without a way to the net:
# run it on a machine of the same kind and Python, carry the folder over, install.sh --wheels DIR.
# usage: sh deploy/make-wheels.sh DIR [PYTHON]
set -eu
[ $# -ge 1 ] || { echo "usage: sh deploy/make-wheels.sh DIR [PYTHON]" >&2; exit 2; }
mkdir -p "$1"
folder=$(cd "$1" && pwd)
cd "$(dirname "$0")/.."
"${2:-python3}" -m pip wheel -q --disable-pip-version-check -c deploy/constraints.txt -w "$folder" hatchling .
rm -f "$folder"/warmstraw-*.whl # built on the board from the source beside install.sh
echo "$(find "$folder" -name '*.whl' | wc -l) packages in $folder"
