#!/bin/sh
# The command `warmstraw` on an installed board. Called by root it becomes the daemon's own user first: a journal line
# or a password written by root would leave files in the store that the daemon cannot open.
if [ "$(id -u)" = 0 ]; then
    exec setpriv --reuid=warmstraw --regid=warmstraw --clear-groups --no-new-privs /opt/warmstraw/current/bin/warmstraw "$@"
fi
exec /opt/warmstraw/current/bin/warmstraw "$@"
