"""A whole board, booted: install.sh under a real service manager, and what becomes of the daemon when things go wrong.

usage: sudo python tests/bench/booted_board.py      needs root, debootstrap and systemd-nspawn (Debian: systemd-container)

Boots a clean Debian in a container on a network of its own, installs, then tries each row of the table for real.
Prints the table, writes tests/bench/out/booted_board.json; exit code 1 when a row is not as it should be.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.deploy.clean_root import BOOTABLE, roomy, source_copy, unpack, wheels  # noqa: E402 — after the path to it

OUT = Path(__file__).parent / "out" / "booted_board.json"
SETTINGS = "/etc/warmstraw/warmstraw.toml"


class Booted:
    """One container, from `boot` to the end."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.leader = 0

    @contextmanager
    def boot(self) -> Iterator[None]:
        """Up to its last service, and powered off after."""
        words = ["systemd-nspawn", "--quiet", "--register=no", "--keep-unit", "--private-network", "--boot", "-D", str(self.root)]
        log = (self.root.parent / "console.log").open("w")
        console = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        try:
            children = Path(f"/proc/{console.pid}/task/{console.pid}/children")
            wait(lambda: children.read_text().split(), 30, "no process in the container")
            self.leader = int(children.read_text().split()[0])
            wait(
                lambda: self.run("systemctl is-system-running").stdout.strip() in ("running", "degraded"), 90, "it does not boot"
            )
            yield
        finally:
            console.send_signal(signal.SIGTERM)
            try:
                console.wait(30)
            except subprocess.TimeoutExpired:
                console.kill()

    def run(self, command: str, timeout_s: float = 600) -> subprocess.CompletedProcess[str]:
        """A shell's command in it, as root."""
        words = ["nsenter", "--target", str(self.leader), "--all", "--root", "--wd", "/bin/sh", "-c", command]
        path = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
        return subprocess.run(
            words, capture_output=True, text=True, check=False, timeout=timeout_s, env={"PATH": path, "HEALTH_WAIT_S": "40"}
        )

    def must(self, command: str) -> str:
        done = self.run(command)
        if done.returncode != 0:
            raise SystemExit(f"{command}\n{done.stdout}{done.stderr}\n{self.run('journalctl -n 40 --no-pager').stdout}")
        return done.stdout + done.stderr

    def is_well(self) -> bool:
        return (
            self.run(f"/opt/warmstraw/current/bin/python /opt/warmstraw/current/deploy/health_probe.py {SETTINGS}").returncode
            == 0
        )

    def main_pid(self, unit: str = "warmstraw") -> str:
        return self.run(f"systemctl show -p MainPID --value {unit}").stdout.strip()


def wait(ready: Callable[[], object], deadline_s: float, why: str) -> float:
    """Seconds until this came true."""
    begun = time.monotonic()
    while not ready():
        if time.monotonic() - begun > deadline_s:
            raise SystemExit(f"{why} within {deadline_s:.0f} s")
        time.sleep(0.2)
    return time.monotonic() - begun


class Table:
    """What was tried, what should be, what was, and how long it took."""

    def __init__(self) -> None:
        self.rows: list[dict[str, object]] = []

    def row(self, tried: str, right: bool, seconds: float, saw: str) -> None:
        self.rows.append({"tried": tried, "right": right, "seconds": round(seconds, 1), "saw": saw})
        print(f"{'ok   ' if right else 'WRONG'} {seconds:6.1f} s  {tried:52} {saw}", flush=True)


def main() -> int:
    """Boot, install, try."""
    missing = [name for name in ("debootstrap", "systemd-nspawn", "nsenter") if shutil.which(name) is None]
    if os.geteuid() != 0 or missing:
        print(f"needs root{' and ' + ', '.join(missing) if missing else ''}", file=sys.stderr)
        return 2
    table = Table()
    with tempfile.TemporaryDirectory(prefix="warmstraw-board-", dir=roomy()) as name:
        board = Booted(unpack(Path(name) / "root", BOOTABLE))
        source_copy(board.root / "opt/source")
        shutil.copytree(wheels(Path(sys.executable)), board.root / "opt/wheels")
        with board.boot():
            try:
                play(board, table)
            finally:
                print(board.run("journalctl -u warmstraw -u mosquitto -n 15 --no-pager").stdout, file=sys.stderr)
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_text(json.dumps(table.rows, indent=2) + "\n")
    return 0 if all(row["right"] for row in table.rows) else 1


def play(board: Booted, table: Table) -> None:
    install = "sh /opt/source/deploy/install.sh --wheels /opt/wheels"

    begun = time.monotonic()
    board.must(install)
    table.row("installed on a clean system", True, time.monotonic() - begun, "no settings yet")

    board.must(f"cp /etc/warmstraw/warmstraw.toml.example {SETTINGS}")
    told = board.must("sh /opt/source/deploy/add-device.sh sensor probe1 millrise/brooder/probe1")
    password = next(line.split()[1] for line in told.splitlines() if line.split()[:1] == ["password"])
    sensor = f"mosquitto_pub -h 127.0.0.1 -u probe1 -P {password} -t millrise/brooder/probe1 -q 1 -m '{{\"t\": 93.5}}'"
    board.must(f"while :; do {sensor}; sleep 1; done >/dev/null 2>&1 </dev/null & echo started")
    begun = time.monotonic()
    board.must(install)
    table.row("settings written, install.sh again", True, time.monotonic() - begun, "the daemon runs")
    seconds = wait(board.is_well, 60, "not healthy")
    table.row("a sensor publishes", True, seconds, "healthy")

    begun = time.monotonic()
    checked = board.run(f"{install} --check")
    wrong = [
        line.strip() for line in checked.stdout.splitlines() if "WRONG" in line and "clock" not in line
    ]  # a container's is its host's
    table.row("--check", not wrong, time.monotonic() - begun, "; ".join(wrong) or "all is as it should be")

    exposure = board.run("systemd-analyze security warmstraw --no-pager | tail -1").stdout.strip()
    table.row("privileges of the running service", True, 0, exposure)
    trusted = board.run("journalctl -u warmstraw --no-pager | grep -ic 'operation not permitted'").stdout.strip()
    table.row("calls refused by the hardening", trusted == "0", 0, trusted)

    table.row(*night(board))

    former = board.main_pid()
    board.must(f"kill -KILL {former}")
    seconds = wait(lambda: board.main_pid() not in ("0", former) and board.is_well(), 60, "killed, not back")
    table.row("daemon killed", True, seconds, "healthy again")

    former = board.main_pid()
    board.must(f"kill -STOP {former}")
    seconds = wait(lambda: board.main_pid() not in ("0", former) and board.is_well(), 150, "frozen, not back")
    table.row("daemon frozen", True, seconds, "ended by the watchdog, healthy again")

    board.must("systemctl stop mosquitto; head -c 5000 /dev/zero >/var/lib/mosquitto/mosquitto.db; systemctl start mosquitto")
    seconds = wait(board.is_well, 60, "no broker after a ruined file")
    saw = "guard: " + ("told" if "begins anew" in board.run("journalctl -u mosquitto --no-pager").stdout else "silent")
    table.row("broker's file filled with nulls", saw == "guard: told", seconds, saw)

    board.must("kill -USR1 $(systemctl show -p MainPID --value mosquitto); sleep 1; systemctl kill -s KILL mosquitto; "
               "truncate -s 60 /var/lib/mosquitto/mosquitto.db")  # fmt: skip
    seconds = wait(
        lambda: board.run("systemctl is-active mosquitto").stdout.strip() == "active" and board.is_well(), 90, "cut short"
    )
    table.row("broker killed, its file cut short", True, seconds, "healthy again")

    before = board.must("readlink /opt/warmstraw/current").strip()
    watch = board.root / "opt/source/monitor/daemon/watch.py"
    sound = watch.read_text()
    watch.write_text(sound.replace("\n    daemon.start()\n", '\n    raise RuntimeError("a fault of this version")\n'))
    assert watch.read_text() != sound
    begun = time.monotonic()
    done = board.run(f"{install} --update")
    now = board.must("readlink /opt/warmstraw/current").strip()
    well = wait(board.is_well, 60, "not well after going back")
    table.row(
        "update whose daemon does not come up",
        done.returncode != 0 and now == before and "runs again" in done.stderr + done.stdout,
        time.monotonic() - begun - well,
        "went back by itself",
    )
    watch.write_text(sound)

    board.must("echo 'Another line.' >>/opt/source/README.md")
    begun = time.monotonic()
    board.must(f"{install} --update")
    now = board.must("readlink /opt/warmstraw/current").strip()
    table.row("update", now != before and board.is_well(), time.monotonic() - begun, "taken, healthy")

    begun = time.monotonic()
    board.must(f"{install} --rollback")
    seconds = wait(board.is_well, 60, "not healthy after --rollback")
    table.row("--rollback", board.must("readlink /opt/warmstraw/current").strip() == before, time.monotonic() - begun, "healthy")

    begun = time.monotonic()
    board.must(f"{install} --uninstall")
    units = board.must("systemctl list-unit-files --no-legend 'warmstraw*' || true").strip()
    kept = "store.sqlite" in board.must("ls /var/lib/warmstraw")
    table.row("--uninstall", kept and not units, time.monotonic() - begun, units or "no service left, data kept")


def night(board: Booted) -> tuple[str, bool, float, str]:
    """The nightly backup under the unit's own hardening: the oldest of three nights is brought up to date, and is sound.

    Noon is made of the present hour by the site's zone: a start before evening makes up for the night.
    """
    ahead_h = 12 - datetime.now(UTC).hour
    settings = board.root / SETTINGS.lstrip("/")
    text = re.sub(r"(?m)^timezone = .*$", f'timezone = "Etc/GMT{-ahead_h:+d}"', settings.read_text())
    if "[clock]" not in text:
        text += '\n[clock]\nkept_by = "battery"\n'
    settings.write_text(text)
    backups = "/var/lib/warmstraw/backups"
    board.must(f"systemctl stop warmstraw; mkdir -p {backups}; rm -f {backups}/*")  # of the first start, a whole copy
    for day in ("01", "02", "03"):
        board.must(f"/opt/warmstraw/current/bin/warmstraw backup --settings {SETTINGS} {backups}/2001-01-{day}.sqlite")
    board.must(f"chown -R warmstraw: {backups}; systemctl start warmstraw")
    today = (datetime.now(UTC) + timedelta(hours=ahead_h)).date()
    seconds = wait(lambda: board.run(f"test -f {backups}/{today}.sqlite").returncode == 0, 120, "no nightly backup")
    kept = board.must(f"ls {backups}").split()
    look = "import sqlite3, sys; print(sqlite3.connect(sys.argv[1]).execute('PRAGMA integrity_check').fetchone()[0])"
    verdict = board.must(f'/opt/warmstraw/current/bin/python -c "{look}" {backups}/{today}.sqlite').strip()
    told = board.run(f"journalctl -u warmstraw --no-pager | grep -o 'backup {today}.*' | tail -1").stdout.strip()
    found = re.search(r"(\d+) bytes, of them (\d+) written", told)
    is_renewed = found is not None and 0 < int(found[2]) < int(found[1])
    right = is_renewed and verdict == "ok" and kept == ["2001-01-02.sqlite", "2001-01-03.sqlite", f"{today}.sqlite"]
    return "nightly backup, the oldest night renewed", right, seconds, f"{verdict}; {told}"


if __name__ == "__main__":
    sys.exit(main())
