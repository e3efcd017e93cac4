#!/bin/sh
# Installs Warmstraw on Debian or Raspberry Pi OS: the daemon in its own environment under its own user, the
# broker with passwords and access control, the services. Running it again updates, and changes nothing that is
# already as it should be. See README.md beside this file.
usage() {
    cat >&2 <<'EOF'
usage: sudo sh deploy/install.sh [--check | --update | --rollback | --uninstall [--purge]] [options]
  (nothing)    install, or bring to this version
  --check      say what is and what is not as it should be; change nothing; exit code 0 when all is
  --update     as (nothing), but only where it is installed already
  --rollback   go back to the version before this one
  --uninstall  remove program and services; readings, settings and accounts stay
  --purge      with --uninstall: remove those too (asks first)
options:
  --wheels DIR   take every Python package from this folder, none from the net (make-wheels.sh fills it)
  --root DIR     install into the system below DIR (an image, a chroot); services are enabled, not started
  --yes          do not ask
EOF
    exit 2
}
set -eu
umask 022

action=install wheels="" root="" yes=no purge=no
while [ $# -gt 0 ]; do
    case $1 in
    --check | --update | --rollback | --uninstall) action=${1#--} ;;
    --purge) purge=yes ;;
    --yes) yes=yes ;;
    --wheels) [ $# -ge 2 ] || usage; wheels=$(cd "$2" && pwd); shift ;;
    --root) [ $# -ge 2 ] || usage; root=$(cd "$2" && pwd); shift ;;
    *) usage ;;
    esac
    shift
done
[ "$purge" = no ] || [ "$action" = uninstall ] || usage
[ "$root" != / ] || root=""

source=$(cd "$(dirname "$0")/.." && pwd)
opt=/opt/warmstraw etc=/etc/warmstraw data=/var/lib/warmstraw accounts=/etc/mosquitto/warmstraw
settings=$etc/warmstraw.toml
units="warmstraw.service warmstraw-second-copy.service warmstraw-second-copy.timer
mosquitto.service.d/warmstraw.conf journald.conf.d/warmstraw.conf"
health_wait_s=${HEALTH_WAIT_S:-120}

say() { printf '%s\n' "$*"; }
fail() { printf 'install.sh: %s\n' "$*" >&2; exit 1; }
in_root() { if [ -n "$root" ]; then chroot "$root" "$@"; else "$@"; fi; }
as_daemon() { in_root setpriv --reuid=warmstraw --regid=warmstraw --clear-groups --no-new-privs "$@"; }
has_settings() { [ -e "$root$settings" ]; }
# Services can be spoken to only on the running system itself.
lives() { [ -z "$root" ] && [ -d /run/systemd/system ]; }

version() { # of this source: its number, and a sum over all that is installed, so that no two differ under one name
    number=$(sed -n 's/^version = "\(.*\)"/\1/p' "$source/pyproject.toml")
    sum=$(cd "$source" && find monitor deploy config pyproject.toml README.md -type f ! -name '*.pyc' ! -path '*/page/*.map' |
        LC_ALL=C sort | while read -r file; do printf '%s ' "$file"; sha256sum <"$file"; done | sha256sum | cut -c1-8)
    printf '%s-%s' "$number" "$sum"
}
pointed() { readlink "$root$opt/$1" 2>/dev/null || true; } # current | former -> the version's name
point() { ln -sfn "$2" "$root$opt/.$1.new" && mv -T "$root$opt/.$1.new" "$root$opt/$1"; }
unit_place() { # where a unit file goes
    case $1 in journald.conf.d/*) printf '/etc/systemd/%s' "$1" ;; *) printf '/etc/systemd/system/%s' "$1" ;; esac
}
schema() { # the store's format, by the program that reads it last
    in_root "$opt/$1/bin/python" -c 'import sqlite3,sys; print(sqlite3.connect("file:"+sys.argv[1]+"?mode=ro",uri=True).execute("PRAGMA user_version").fetchone()[0])' \
        "$(store_folder "$1")/store.sqlite" 2>/dev/null || echo none
}
store_folder() {
    in_root "$opt/$1/bin/python" -c 'import sys; from monitor.settings.read import find, read; print(read(find(sys.argv[1])).connections.store.folder)' \
        "$settings" 2>/dev/null || echo "$data"
}
need_root() { [ "$(id -u)" = 0 ] || fail "this needs root: sudo sh deploy/install.sh"; }

# ------------------------------------------------------------------ install

packages() {
    missing=""
    for package in python3 python3-venv mosquitto mosquitto-clients; do
        in_root dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
    done
    if [ -n "$missing" ]; then
        say "installing$missing"
        in_root apt-get update -qq || fail "apt-get update failed; is there a way to the net?"
        # shellcheck disable=SC2086
        in_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null ||
            fail "these packages could not be installed:$missing"
    fi
    in_root python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        fail "Python 3.11 or newer is needed, here is $(in_root python3 -V 2>&1): take Debian 12 or later"
}
user() {
    in_root getent passwd warmstraw >/dev/null ||
        in_root useradd --system --user-group --home-dir "$data" --no-create-home --shell /usr/sbin/nologin warmstraw
}
folders() {
    for place in "$etc root:warmstraw 2750" "$data warmstraw:warmstraw 750" "$opt root:root 755" "$accounts root:mosquitto 750"; do
        # shellcheck disable=SC2086
        set -- $place
        in_root mkdir -p "$1"
        in_root chown "$2" "$1"
        in_root chmod "$3" "$1" # 2750: what is copied there is of the group that may read it
    done
    ! has_settings || { in_root chown root:warmstraw "$settings"; chmod 640 "$root$settings"; }
}
program() { # builds the version's own environment beside those that run
    new=$1
    [ -e "$root$opt/$new/.complete" ] && return 0
    say "building $new"
    free_kb=$(df -Pk "$root$opt" | awk 'NR == 2 { print $4 }')
    [ "$free_kb" -ge 300000 ] || fail "less than 300 MB are free for $opt: remove something first"
    rm -rf "$root$opt/$new" "$root$opt/.wheels"
    mkdir -p "$root$opt/$new/source"
    (cd "$source" && tar -c --exclude='*.pyc' --exclude=__pycache__ pyproject.toml README.md monitor deploy config) |
        tar -x --no-same-owner -C "$root$opt/$new/source"
    in_root python3 -m venv "$opt/$new" || fail "python3 -m venv failed"
    from=""
    if [ -n "$wheels" ]; then
        mkdir "$root$opt/.wheels"
        cp "$wheels"/*.whl "$root$opt/.wheels/"
        from="--no-index --find-links $opt/.wheels"
    fi
    # shellcheck disable=SC2086
    in_root "$opt/$new/bin/python" -m pip install -q --disable-pip-version-check --no-cache-dir $from \
        -c "$opt/$new/source/deploy/constraints.txt" "$opt/$new/source" || fail "the Python packages could not be installed"
    mv "$root$opt/$new/source/deploy" "$root$opt/$new/source/config" "$root$opt/$new/"
    rm -rf "$root$opt/$new/source" "$root$opt/.wheels"
    in_root "$opt/$new/bin/python" -c 'import monitor.daemon.watch, monitor.cli.command, monitor.cli.keeping' ||
        fail "the new program does not run"
    sync
    : >"$root$opt/$new/.complete"
}
place() { # SOURCE TARGET: a file of ours goes out; what the keeper changed in it stays, and the new one lies beside it
    target=$root$2 sums=$root$etc/.placed
    touch "$sums"
    mkdir -p "$(dirname "$target")"
    if [ -e "$target" ] && ! cmp -s "$1" "$target"; then
        known=$(awk -v file="$2" '$2 == file { sum = $1 } END { print sum }' "$sums")
        if [ "$(sha256sum <"$target" | cut -d' ' -f1)" != "$known" ]; then
            cmp -s "$1" "$target.new" 2>/dev/null || { cp "$1" "$target.new"; say "kept your $2; this version's lies beside it as $2.new"; }
            return 0
        fi
    fi
    rm -f "$target.new"
    if ! cmp -s "$1" "$target"; then
        cp "$1" "$target.part"
        chmod 644 "$target.part"
        mv "$target.part" "$target"
        changed="$changed $2"
    fi
    { awk -v file="$2" '$2 != file' "$sums"; printf '%s %s\n' "$(sha256sum <"$1" | cut -d' ' -f1)" "$2"; } >"$sums.part"
    mv "$sums.part" "$sums"
}
secret() { # FILE: takes its content from standard input; the daemon may read it, nobody may write it
    (umask 077 && cat >"$root$1.part")
    in_root chown root:warmstraw "$1.part"
    chmod 640 "$root$1.part"
    mv "$root$1.part" "$root$1"
}
random() { od -An -N16 -tx1 /dev/urandom | tr -d ' \n'; }
broker() {
    place "$root$opt/$1/deploy/mosquitto/warmstraw.conf" /etc/mosquitto/conf.d/warmstraw.conf
    if [ ! -s "$root$etc/broker-password" ] || ! grep -q '^warmstraw:' "$root$accounts/passwords" 2>/dev/null; then
        password=$(in_root sh "$opt/$1/deploy/add-device.sh" --no-reload daemon | tail -1)
        [ -n "$password" ] || fail "the daemon's account at the broker could not be made"
        printf '%s\n' "$password" | secret "$etc/broker-password"
        changed="$changed accounts"
    fi
}
examples() { # a start to edit; a made-up barn must never be watched
    [ -s "$root$etc/token" ] || random | secret "$etc/token"
    [ ! -e "$root$etc/warmstraw.toml.example" ] || return 0
    # A client id nobody can guess: whoever knows it could throw the daemon off the broker.
    sed -e 's|^# username = "warmstraw"|username = "warmstraw"\nclient_id = "warmstraw-'"$(random | cut -c1-12)"'"|' \
        -e 's|^# password_file = \(".*broker-password"\).*|password_file = \1|' \
        -e 's|^port = 8720|port = 8720\ntoken_file = "/etc/warmstraw/token"|' \
        "$root$opt/$1/config/brooder.toml" | secret "$etc/warmstraw.toml.example"
}
services() {
    for unit in $units; do place "$root$opt/$1/deploy/systemd/$unit" "$(unit_place "$unit")"; done
    enabled=$root/etc/systemd/system
    mkdir -p "$enabled/multi-user.target.wants" "$enabled/timers.target.wants"
    ln -sfn /etc/systemd/system/warmstraw.service "$enabled/multi-user.target.wants/warmstraw.service"
    ln -sfn /etc/systemd/system/warmstraw-second-copy.timer "$enabled/timers.target.wants/warmstraw-second-copy.timer"
    mkdir -p "$root/usr/local/bin"
    ln -sfn "$opt/current/deploy/command.sh" "$root/usr/local/bin/warmstraw"
}

# ------------------------------------------------------- update and roll-back

sound_settings() { as_daemon "$opt/$1/bin/warmstraw" check --settings "$settings"; }

copy_store() { # VERSION: before another program may change its format; a checked copy, made by the program that knows it
    folder=$(store_folder "$1")
    [ -e "$root$folder/store.sqlite" ] || return 0
    before=$folder/backups/before-update-from-$1.sqlite
    rm -f "$root$before"
    as_daemon "$opt/$1/bin/warmstraw" backup --settings "$settings" "$before" ||
        fail "the store could not be copied; nothing was changed. Look at the sentence above first."
}
healthy() { # waits until the daemon does its work: fully where it did before, else until it answers
    wanted=$1 end=$(($(date +%s) + health_wait_s)) # a step of the clock only ends the wait early or late
    while :; do
        said=$("$opt/current/bin/python" "$opt/current/deploy/health_probe.py" "$settings" 2>&1) && code=0 || code=$?
        if [ "$code" -le "$wanted" ] && systemctl is-active -q warmstraw; then
            restarts=$(systemctl show -p NRestarts --value warmstraw)
            sleep 5 # it must stay so
            [ "$(systemctl show -p NRestarts --value warmstraw)" = "$restarts" ] && systemctl is-active -q warmstraw && return 0
        fi
        [ "$(date +%s)" -lt "$end" ] || return 1
        sleep 2
    done
}
probe_code() { # of the daemon that runs now: 0 well, 1 answers, 2 silent
    "$opt/current/bin/python" "$opt/current/deploy/health_probe.py" "$settings" >/dev/null 2>&1 && echo 0 || echo $?
}
go_back() { # TO FROM: program, and the store where the newer one changed its format
    say "going back to $1"
    ! lives || systemctl stop warmstraw || true
    folder=$(store_folder "$1") now=$(schema "$2") known=$(cat "$root$opt/$1/.schema" 2>/dev/null || echo none)
    point current "$1"
    if [ "$known" != none ] && [ "$now" != "$known" ]; then
        before=$folder/backups/before-update-from-$1.sqlite
        [ -e "$root$before" ] || fail "the store has format $now, $1 knows $known, and there is no copy from before: see README.md"
        as_daemon "$opt/$1/bin/warmstraw" restore --settings "$settings" "$before" ||
            fail "the copy from before the update could not be put back: $before"
        say "the store is that of before the update; the newer one is kept beside it"
    fi
    for unit in $units; do place "$root$opt/$1/deploy/systemd/$unit" "$(unit_place "$unit")"; done
    ! lives || { systemctl daemon-reload; systemctl restart warmstraw; }
}
tidy_versions() { # this one and the one before stay
    for folder in "$root$opt"/*-*/; do
        name=$(basename "$folder")
        [ "$name" = "$(pointed current)" ] || [ "$name" = "$(pointed former)" ] || rm -rf "$folder"
    done
}

install() {
    need_root
    exec 9>"${root:+$root}/run/warmstraw-install.lock" && flock -n 9 || fail "another install.sh is at work"
    new=$(version) old=$(pointed current) changed=""
    [ "$action" != update ] || [ -n "$old" ] || fail "nothing is installed yet: run it without --update"
    packages
    user
    folders
    program "$new"
    if has_settings && [ "$new" != "$old" ]; then
        sound_settings "$new" >/dev/null ||
            fail "the new version does not take your settings (above): the old one, if any, goes on. Mend them and run this again."
    fi
    worth=2
    if [ -n "$old" ] && [ "$new" != "$old" ] && has_settings; then
        ! lives || worth=$(probe_code)
        copy_store "$old"
        schema "$old" >"$root$opt/$old/.schema"
    fi
    broker "$new"
    examples "$new"
    services "$new"
    if [ "$new" != "$old" ]; then
        point current "$new"
        [ -z "$old" ] || point former "$old"
    fi
    if lives; then
        systemctl daemon-reload
        case $changed in *mosquitto* | *accounts*) systemctl restart mosquitto || fail "the broker does not start: journalctl -u mosquitto" ;; esac
        case $changed in *journald*) systemctl restart systemd-journald || true ;; esac
        systemctl start warmstraw-second-copy.timer
        if has_settings && { [ "$new" != "$old" ] || ! systemctl is-active -q warmstraw || [ -n "$changed" ]; }; then
            systemctl restart warmstraw || true
            [ "$worth" = 0 ] || worth=1
            if ! healthy "$worth"; then
                say "the new daemon does not become healthy: $said" >&2
                [ -n "$old" ] && [ "$new" != "$old" ] || fail "see journalctl -u warmstraw"
                go_back "$old" "$new"
                fail "$new was not taken; $old runs again. Its log: journalctl -u warmstraw"
            fi
        fi
    fi
    tidy_versions
    [ "$new" = "$old" ] && [ -z "$changed" ] && say "$new is installed; nothing was to be changed" && return 0
    say "$new is installed"
    has_settings || say "next: cp $etc/warmstraw.toml.example $settings, describe your barn in it, warmstraw check, then run this again"
}
rollback() {
    need_root
    former=$(pointed former) now=$(pointed current) changed=""
    [ -n "$former" ] && [ "$former" != "$now" ] && [ -e "$root$opt/$former/.complete" ] || fail "there is no former version to go back to"
    go_back "$former" "$now"
    point former "$now"
    say "$former runs"
}
uninstall() {
    need_root
    if [ "$purge" = yes ] && [ "$yes" = no ]; then
        printf 'This removes every reading, alarm and journal entry, the settings and the accounts. Type purge to go on: '
        read -r word || word=""
        [ "$word" = purge ] || fail "nothing was removed"
    fi
    ! lives || systemctl disable --now warmstraw.service warmstraw-second-copy.timer >/dev/null 2>&1 || true
    for unit in $units; do rm -f "$root$(unit_place "$unit")" "$root$(unit_place "$unit").new"; done
    rm -f "$root/etc/systemd/system/multi-user.target.wants/warmstraw.service" \
        "$root/etc/systemd/system/timers.target.wants/warmstraw-second-copy.timer" \
        "$root/usr/local/bin/warmstraw" "$root$etc/.placed"
    rmdir "$root/etc/systemd/system/mosquitto.service.d" "$root/etc/systemd/journald.conf.d" 2>/dev/null || true
    rm -rf "$root$opt"
    if [ "$purge" = yes ]; then
        rm -rf "$root$etc" "$root$data" "$root$accounts"
        rm -f "$root"/etc/mosquitto/conf.d/warmstraw*.conf "$root"/etc/mosquitto/conf.d/warmstraw*.conf.new
        in_root userdel warmstraw 2>/dev/null || true
        say "removed, with all that was kept. The broker stays, without our settings."
    else
        say "removed. Readings stay in $data, settings in $etc, the broker and its accounts in /etc/mosquitto."
    fi
    ! lives || { systemctl daemon-reload; [ "$purge" = no ] || systemctl restart mosquitto || true; }
}

# -------------------------------------------------------------------- check

wrong=0
right_if() { # SENTENCE COMMAND...
    sentence=$1
    shift
    if "$@" >/dev/null 2>&1; then say "  ok     $sentence"; else say "  WRONG  $sentence"; wrong=$((wrong + 1)); fi
}
note() { say "  note   $*"; }
is_mode() { [ "$(in_root stat -c '%U:%G %a' "$1" 2>/dev/null)" = "$2" ]; }
same() { cmp -s "$root$1" "$root$2"; }
check() {
    now=$(pointed current)
    say "Warmstraw ${now:-(not installed)}"
    right_if "Python 3.11 or newer" in_root python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'
    right_if "the broker is installed" test -x "$root/usr/sbin/mosquitto"
    right_if "the user warmstraw, who cannot sign in" sh -c "grep -q '^warmstraw:.*nologin' '$root/etc/passwd'"
    right_if "$etc is the daemon's to read, root's to write" is_mode "$etc" "root:warmstraw 2750"
    right_if "$data belongs to the daemon alone" is_mode "$data" "warmstraw:warmstraw 750"
    right_if "the program is whole" test -e "$root$opt/current/.complete"
    right_if "it is the version of this folder, $(version)" test "$now" = "$(version)"
    right_if "the command warmstraw" test "$(readlink "$root/usr/local/bin/warmstraw")" = "$opt/current/deploy/command.sh"
    right_if "the broker's settings are this version's" same "$opt/current/deploy/mosquitto/warmstraw.conf" /etc/mosquitto/conf.d/warmstraw.conf
    right_if "the broker reads them" grep -q '^include_dir /etc/mosquitto/conf.d' "$root/etc/mosquitto/mosquitto.conf"
    right_if "the broker keeps what waits in it" grep -q '^persistence true' "$root/etc/mosquitto/mosquitto.conf"
    right_if "accounts are readable by the broker alone" is_mode "$accounts/passwords" "root:mosquitto 640"
    right_if "access control is in place" grep -q '^user warmstraw' "$root$accounts/access"
    right_if "the daemon's password at the broker" is_mode "$etc/broker-password" "root:warmstraw 640"
    for unit in $units; do right_if "$unit is this version's" same "$opt/current/deploy/systemd/$unit" "$(unit_place "$unit")"; done
    right_if "it starts with the board" test -L "$root/etc/systemd/system/multi-user.target.wants/warmstraw.service"
    right_if "the morning's look at the backup is set" test -L "$root/etc/systemd/system/timers.target.wants/warmstraw-second-copy.timer"
    if has_settings; then
        if [ "$(id -u)" = 0 ]; then right_if "the settings are sound (warmstraw check)" sound_settings current; else note "settings not read: only root may"; fi
    else
        right_if "there are settings, $settings" false
    fi
    free_kb=$(df -Pk "$root$data" 2>/dev/null | awk 'NR == 2 { print $4 }')
    right_if "half a gigabyte is free for readings" test "${free_kb:-0}" -ge 500000
    [ -e "$root$etc/second-copy" ] || note "backups lie on the same card: SECOND_COPY=/media/stick in $etc/second-copy sends them to another"
    if lives; then
        right_if "the broker runs" systemctl is-active -q mosquitto
        right_if "the daemon runs" systemctl is-active -q warmstraw
        right_if "the daemon is healthy" "$opt/current/bin/python" "$opt/current/deploy/health_probe.py" "$settings"
        right_if "the last look at the backup found it sound" sh -c '! systemctl is-failed -q warmstraw-second-copy'
        right_if "the clock is kept right" sh -c 'timedatectl show -p NTPSynchronized --value | grep -q yes || test -e /sys/class/rtc/rtc0'
    else
        note "services are not looked at: this is not the running system"
    fi
    if [ "$wrong" = 0 ]; then say "all is as it should be"; return 0; fi
    say "$wrong not as they should be; run install.sh to mend what it can"
    return 1
}

case $action in update) install ;; *) "$action" ;; esac
