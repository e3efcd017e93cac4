"""How much a day of readings writes to the card: this store against a commit for each reading.

usage: python tests/bench/store_bytes.py [--hours 24] [--folder FOLDER]

Eight sensors, one reading each every 30 s, one fan change every 10 minutes, an engine state of one pen. Bytes
are `write_bytes` of /proc/self/io: what this process made the kernel send towards the disk, in blocks of 4 kB. A real day
leaves the kernel time to write between two rounds of readings, so the files are synced after each round:
without that a block that is written twice would count once. The folder must lie on a real file system, not
in memory; what its own journal adds is not counted. The index of SQLite's log (`-shm`) is counted: it lies beside the store, and
each commit touches four to six of its blocks. Each layout runs in a process of its own. Prints a table and
writes tests/bench/out/store_bytes.json.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from monitor.engine.connections import Delivery  # noqa: E402 — after the path to the package
from monitor.engine.events import Keep, SwitchFan  # noqa: E402
from monitor.engine.saving import save  # noqa: E402
from monitor.engine.state import AlarmRecord, FanState, Health, PenState, SensorState, State  # noqa: E402
from monitor.store import connection  # noqa: E402
from monitor.store.keep import Batch, Store  # noqa: E402

DAWN_MS = 1_777_615_200_000
SENSORS = [f"brooder/sensor {n}" for n in range(8)]
EVERY_S, FAN_EVERY_S = 30, 600


def written() -> int:
    with open("/proc/self/io") as stream:
        return next(int(line.split()[1]) for line in stream if line.startswith("write_bytes"))


def settle(folder: Path) -> None:
    """What the kernel does by itself within half a minute."""
    for file in folder.glob("*.sqlite*"):  # the index of the log among them: it is mapped memory, but of a file on the card
        descriptor = os.open(file, os.O_RDWR)
        os.fdatasync(descriptor)
        os.close(descriptor)


def state(dice: random.Random) -> str:
    """As large and as compressible as the saved state of one pen with eight sensors and two dozen alarms."""
    sensors = {
        name: SensorState(Health.BELIEVED, round(dice.uniform(18, 35), 2), dice.uniform(0, 1e5), DAWN_MS, dice.uniform(0, 1e5))
        for name in SENSORS
    }
    alarms = {
        key: AlarmRecord(key, key.split("/")[1], "brooder", "", evidence={"value": dice.uniform(0, 90)})
        for key in (f"brooder/alarm {n}" for n in range(24))
    }
    pen = PenState("brooder", sensors, FanState(since=dice.uniform(0, 1e5), sent_at=dice.uniform(0, 1e5)), alarms=alarms)
    return save(State(dice.uniform(0, 1e5), DAWN_MS, pens={"brooder": pen}))


def readings(hours: float, dice: random.Random) -> list[list[tuple[str, int, float]]]:
    """By round of 30 s: sensor, ms after dawn, value."""
    rounds = int(hours * 3600 / EVERY_S)
    return [
        [(name, DAWN_MS + r * EVERY_S * 1000 + n * 37, round(dice.uniform(18, 35), 2)) for n, name in enumerate(SENSORS)]
        for r in range(rounds)
    ]


def this_store(folder: Path, hours: float, commit_s: int, page_bytes: int, fan: bool) -> None:
    connection.PAGE_BYTES = page_bytes
    dice = random.Random(1)
    store = Store.open(folder)
    keeps: list[Keep] = []
    packet = 0
    for number, rounds in enumerate(readings(hours, dice)):
        at = float(number * EVERY_S)
        keeps += [Keep(name, value, at, time_ms, False) for name, time_ms, value in rounds]
        changes = at % FAN_EVERY_S == 0 and fan
        if not commit_s:
            for keep in keeps:
                packet += 1
                told = [Delivery(1, packet % 65_535 + 1, 1, os.urandom(16))]
                store.commit(Batch([keep], told, [], [], [], state(dice), at, DAWN_MS, 1, "boot", 0.0, False))
            keeps = []
        if changes or (commit_s and at % commit_s == 0):
            evidence = {"value": 81.5, "unit": "%", "limit": 75.0, "source": "common practice", "sensor": "brooder/sensor 3"}
            decided = [SwitchFan(at, DAWN_MS, "brooder", number % 2 == 0, None, "damp", evidence)] if changes else []
            told = [Delivery(1, (packet + n) % 65_535 + 1, 1, os.urandom(16)) for n in range(len(keeps))]
            packet += len(keeps)
            store.commit(Batch(keeps, told, decided, [], [], state(dice), at, DAWN_MS, 1, "boot", 0.0, bool(changes)))
            keeps = []
        settle(folder)
        if at % 3600 == 3570:
            store.tidy(DAWN_MS + int(at * 1000))
    store.close()


def plain(folder: Path, hours: float) -> None:
    """What one would write first: a table by series and time, a commit for each reading, all else left out."""
    with_log = sqlite3.connect(folder / "plain.sqlite", isolation_level=None)
    with_log.execute("PRAGMA journal_mode = WAL")
    with_log.execute("PRAGMA synchronous = NORMAL")
    key = "PRIMARY KEY (series, time_ms)"
    with_log.execute(f"CREATE TABLE reading (series INTEGER, time_ms INTEGER, value REAL, {key}) WITHOUT ROWID")
    for rounds in readings(hours, random.Random(1)):
        for name, time_ms, value in rounds:
            with_log.execute("INSERT INTO reading VALUES (?, ?, ?)", (SENSORS.index(name), time_ms, value))
        settle(folder)
    with_log.close()


LAYOUTS = {
    "a plain table, a commit for each reading": lambda folder, hours: plain(folder, hours),
    "this store, a commit for each reading": lambda folder, hours: this_store(folder, hours, 0, 1024, True),
    "this store, commits every 30 s": lambda folder, hours: this_store(folder, hours, 30, 1024, True),
    "this store, commits every 60 s": lambda folder, hours: this_store(folder, hours, 60, 1024, True),
    "this store, commits every 60 s, pages of 2048": lambda folder, hours: this_store(folder, hours, 60, 2048, True),
    "this store, commits every 60 s, pages of 4096": lambda folder, hours: this_store(folder, hours, 60, 4096, True),
    "this store, commits every 60 s, no fan changes": lambda folder, hours: this_store(folder, hours, 60, 1024, False),
    "this store, commits every 120 s": lambda folder, hours: this_store(folder, hours, 120, 1024, True),
    "this store, commits every 300 s": lambda folder, hours: this_store(folder, hours, 300, 1024, True),
}


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("--hours", type=float, default=24.0)
    ask.add_argument("--folder", default=str(ROOT / "tests" / "bench" / "out"))
    ask.add_argument("--layout", help=argparse.SUPPRESS)
    asked = ask.parse_args()
    Path(asked.folder).mkdir(parents=True, exist_ok=True)
    if asked.layout:
        with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
            before = written()
            LAYOUTS[asked.layout](Path(folder), asked.hours)
            print(written() - before)
        return
    found = {}
    for name in LAYOUTS:
        command = [sys.executable, __file__, "--hours", str(asked.hours), "--folder", asked.folder, "--layout", name]
        found[name] = int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    bare, own = found["a plain table, a commit for each reading"], found["this store, a commit for each reading"]
    print(f"{'layout':<48} {'MB a day':>9} {'to a plain table':>17} {'to itself, one by one':>22}")
    for name, size in found.items():
        print(f"{name:<48} {size / 1e6 * 24 / asked.hours:>9.1f} {size / bare:>17.3f} {size / own:>22.3f}")
    out = ROOT / "tests" / "bench" / "out"
    out.mkdir(exist_ok=True)
    report = {"hours": asked.hours, "bytes": found, "to_plain": {n: b / bare for n, b in found.items()}}
    report["to_itself_one_by_one"] = {n: b / own for n, b in found.items()}
    (out / "store_bytes.json").write_text(json.dumps(report, indent=1))


if __name__ == "__main__":
    main()
