#!/bin/sh
# Gives a sensor, a relay, a siren, another board or a reader its own account at the broker, allowed no more
# than it needs, and prints what to put into its firmware. The password is shown once and stored as a hash.
usage() {
    cat >&2 <<'EOF'
usage: add-device.sh sensor NAME TOPIC...              may publish on these topics, nothing else
       add-device.sh relay  NAME COMMAND REPORT SITE   reads COMMAND and the site's alive, writes REPORT
       add-device.sh siren  NAME TOPIC                 reads TOPIC, which the daemon may write
       add-device.sh site   NAME SITE                  a board's bridge: writes what SITE says of itself
       add-device.sh yard   NAME                       reads what every site says
       add-device.sh remove NAME
       add-device.sh list
options first: --folder DIR  where passwords and access stand (/etc/mosquitto/warmstraw)
               --broker HOST:PORT  as the device reaches it, for what is printed
               --no-reload  do not tell the broker
An account that exists gets a new password and the topics given now.
EOF
    exit 2
}
set -eu
umask 077
folder=/etc/mosquitto/warmstraw broker="$(hostname 2>/dev/null || echo BOARD).local:1883" reload=yes
while [ $# -gt 0 ]; do
    case $1 in
    --folder) folder=${2:?}; shift 2 ;;
    --broker) broker=${2:?}; shift 2 ;;
    --no-reload) reload=no; shift ;;
    -*) usage ;;
    *) break ;;
    esac
done
[ $# -ge 1 ] || usage
kind=$1 name=${2:-}
tab=$(printf '\t')

fail() { echo "add-device.sh: $*" >&2; exit 2; }

topic_of_its_own() { # a topic to publish or listen to: no wildcard, nothing the broker or the file reads otherwise
    case $1 in
    '' | *[+\#]* | \$* | /* | */ | ' '* | *' ') fail "topic \"$1\": expected a plain topic such as millrise/brooder/probe1, without + or #" ;;
    warmstraw/*) fail "topic \"$1\": what begins with warmstraw/ is the daemon's own" ;;
    esac
    case $1 in *[[:cntrl:]]*) fail "topic \"$1\": it holds a sign that cannot be printed" ;; esac
    [ "${#1}" -le 200 ] || fail "a topic of more than 200 signs: \"$1\""
}
site_word() { # as the daemon writes its site's name into topics
    case $1 in '' | *[[:cntrl:]]*) fail "SITE: expected the site's name as in [site] name" ;; esac
    printf '%s' "$1" | tr '/+#' '---'
}

# One writer at a time; the files are replaced whole, never half.
mkdir -p "$folder"
if [ "$(id -u)" = 0 ] && getent group mosquitto >/dev/null 2>&1; then
    chown root:mosquitto "$folder"
    chmod 750 "$folder"
fi
[ "$kind" = list ] || { exec 9>"$folder/.lock"; flock -w 10 9 || fail "another add-device.sh is at work"; }
devices=$folder/devices passwords=$folder/passwords access=$folder/access
touch "$devices" "$passwords"

check_name() {
    case $name in
    '' | *[!A-Za-z0-9._-]* | -*) fail "NAME \"$name\": expected letters, digits, dot, dash or underscore, such as brooder-probe1" ;;
    esac
    if [ "$name" = warmstraw ] && [ "$kind" != daemon ]; then fail "NAME warmstraw is the daemon's own account"; fi
}
put() { # FILE: takes its new content from standard input
    cat >"$1.part"
    if [ "$(id -u)" = 0 ] && getent group mosquitto >/dev/null 2>&1; then
        chown root:mosquitto "$1.part"
        chmod 640 "$1.part"
    fi
    mv "$1.part" "$1"
}
without() { awk -F "$2" -v name="$name" -v at="$3" '$at != name' "$1"; }

write_access() { # from the list of devices; the daemon may write each relay's command and each siren
    {
        echo "# Written by add-device.sh from $devices; changes made here are lost."
        echo "user warmstraw"
        echo "topic read #"
        # shellcheck disable=SC2016
        echo 'topic read $SYS/#'
        echo "topic readwrite warmstraw/#"
        while IFS=$tab read -r what who topics; do
            case $what in relay | siren) echo "topic write ${topics%%"$tab"*}" ;; esac
        done <"$devices"
        while IFS=$tab read -r what who topics; do
            [ "$what" != daemon ] || continue
            printf '\nuser %s\n' "$who"
            old_ifs=$IFS
            IFS=$tab
            set -f
            # shellcheck disable=SC2086
            set -- $topics
            set +f
            IFS=$old_ifs
            case $what in
            sensor) for topic; do echo "topic write $topic"; done ;;
            relay) echo "topic read $1"; echo "topic write $2"; echo "topic read warmstraw/$3/alive" ;;
            siren) echo "topic read $1" ;;
            site) for end in answer alive line +/fan +/alarm; do echo "topic write warmstraw/$1/$end"; done
                  for end in answer alive; do echo "topic read warmstraw/+/$end"; done ;;
            yard) echo "topic read warmstraw/#" ;;
            esac
        done <"$devices"
    } | put "$access"
}

new_account() { # TOPICS joined by tabs
    password=$(od -An -N15 -tx1 /dev/urandom | tr -d ' \n')
    printf '%s:%s\n' "$name" "$password" >"$folder/.new"
    mosquitto_passwd -U "$folder/.new" || { rm -f "$folder/.new"; fail "mosquitto_passwd cannot hash the password"; }
    { without "$passwords" : 1; cat "$folder/.new"; } | put "$passwords"
    rm -f "$folder/.new"
    { without "$devices" "$tab" 2; printf '%s\t%s\t%s\n' "$kind" "$name" "$1"; } | put "$devices"
}

case $kind in
list)
    while IFS=$tab read -r what who topics; do
        printf '%-8s %-24s %s\n' "$what" "$who" "$(printf '%s' "$topics" | tr '\t' ' ')"
    done <"$devices"
    exit 0
    ;;
remove)
    check_name
    cut -f2 "$devices" | grep -qxF -- "$name" || fail "there is no account \"$name\"; \`add-device.sh list\` shows all"
    without "$passwords" : 1 | put "$passwords"
    without "$devices" "$tab" 2 | put "$devices"
    ;;
sensor)
    [ $# -ge 3 ] || usage
    check_name
    shift 2
    joined=""
    for topic; do topic_of_its_own "$topic"; joined=$joined${joined:+$tab}$topic; done
    new_account "$joined"
    ;;
relay)
    [ $# -eq 5 ] || usage
    check_name
    topic_of_its_own "$3"
    topic_of_its_own "$4"
    [ "$3" != "$4" ] || fail "COMMAND and REPORT must differ: a relay would hear its own report as a command"
    site=$(site_word "$5")
    new_account "$3$tab$4$tab$site"
    ;;
siren) [ $# -eq 3 ] || usage; check_name; topic_of_its_own "$3"; new_account "$3" ;;
site) [ $# -eq 3 ] || usage; check_name; site=$(site_word "$3"); new_account "$site" ;;
yard) [ $# -eq 2 ] || usage; check_name; new_account "" ;;
daemon) [ $# -eq 1 ] || usage; name=warmstraw; check_name; new_account "" ;; # install.sh calls this
*) usage ;;
esac
write_access

if [ "$reload" = yes ] && command -v systemctl >/dev/null 2>&1 && systemctl is-active -q mosquitto; then
    # Not `reload`: Debian's unit calls /bin/kill for it, which a small system lacks.
    systemctl kill -s HUP mosquitto || echo "add-device.sh: the broker was not reached; run: systemctl restart mosquitto" >&2
fi

host=${broker%:*} port=${broker##*:}
common() {
    printf '  %-12s %s\n' broker "$host" port "$port" "client id" "$name   (one of its own: two alike throw each other out)" \
        user "$name" password "$password"
}
case $kind in
remove) echo "$name may not come in any more; a connection it has now ends with the broker's next restart." ;;
daemon) printf '%s\n' "$password" ;;
sensor)
    echo "Put into the sensor's firmware (the password is not shown again):"
    common
    for topic; do printf '  %-12s %s\n' "publish to" "$topic"; done
    echo "  QoS 1, not retained; a bare number, JSON or SenML; as often as \`every\` in the settings promises."
    ;;
relay)
    echo "Put into the relay's firmware (the password is not shown again):"
    common
    printf '  %-12s %s\n' "listen to" "$3" "listen to" "warmstraw/$site/alive" "report to" "$4"
    echo "  clean session; ignore a retained command; its own timer when alive says \"gone\" or no command came for 3 min: relay.md"
    ;;
siren)
    echo "Put into the siren's firmware (the password is not shown again):"
    common
    printf '  %-12s %s\n' "listen to" "$3"
    ;;
site)
    echo "Put into the board's bridge.conf (the password is not shown again):"
    printf '  %-16s %s\n' address "$broker" remote_username "$name" remote_password "$password" \
        notification_topic "warmstraw/$site/line"
    ;;
yard)
    echo "A reader of the whole yard (the password is not shown again):"
    common
    printf '  %-12s %s\n' "listen to" "warmstraw/#"
    ;;
esac
