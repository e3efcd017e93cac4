"""What the daemon costs at eight sensors, one reading each every 30 s: memory, processor, bytes written in a day.

usage: python tests/bench/footprint.py [--minutes 10] [--folder FOLDER]

A real daemon with its default commits, a real broker and a relay that reports, watched for some minutes of real time after
a minute's start. Processor time is that of /proc/PID/stat, memory the largest resident set seen, bytes `write_bytes` of
/proc/PID/io: what it made the kernel send towards the disk, so the folder must not lie in memory. Nothing is scaled but
to a day; a part of an hour holds no move of the inbox, which the whole day of tests/bench/store_bytes.py holds. The air
comes and goes so that the fan is asked for, as on a damp day. Prints a table and writes tests/bench/out/footprint.json;
exit code 1 above a limit.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import threading
import time
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.whole.conftest import FAN_SET, FAN_STATE, NH3, DaemonProcess  # noqa: E402 - the path is set above
from tests.wire.conftest import BrokerProcess, Publisher, wait_until  # noqa: E402

MOST_MEMORY_MB, MOST_CPU_PCT, MOST_WRITTEN_MB = 90.0, 1.0, 25.0
EVERY_S, DAY_S, SETTLES_S = 30.0, 86_400.0, 60.0
MORE = ("warm", "warm too", "damp", "damp too", "stale", "dusk")
KINDS = {"warm": "temperature", "damp": "humidity", "stal": "carbon_dioxide", "dusk": "light"}
SENSOR = '\n[[pen.sensor]]\nname = "{name}"\nmeasures = "{kind}"\nplace = "bird level"\ntopic = "{topic}"\n{unit}every = "30 s"\n'


def sensors() -> str:
    made = ""
    for name in MORE:
        kind = KINDS[name[:4]]
        unit = 'unit = "degC"\n' if kind == "temperature" else ""
        made += SENSOR.format(name=name, kind=kind, topic=f"millrise/brooder/{name}", unit=unit)
    return made


def seconds_used(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def bytes_written(pid: int) -> int:
    told = Path(f"/proc/{pid}/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in told if line.startswith("write_bytes"))


def speak(publisher: Publisher, until: threading.Event) -> None:
    """Eight sensors and a relay, as a barn does it: spread over the half minute."""
    heard = 0
    rounds = 0
    while True:
        turn = math.sin(rounds / 20.0)
        air = {"warm": 21.0 + turn, "warm too": 21.2 + turn, "damp": 68.0 + 12.0 * turn, "damp too": 67.0 + 12.0 * turn}
        air |= {"stale": 1500.0 + 400.0 * turn, "dusk": 40.0 + turn}
        said = [(f"millrise/brooder/{name}", value) for name, value in air.items()]
        said += [(NH3, 12.0 + 10.0 * turn), ("millrise/brooder/light", 40.0 + rounds % 9)]
        for topic, value in said:
            publisher.send(topic, f"{value + rounds % 7 * 0.01:.2f}")
            told = [payload for where, payload, _ in publisher.heard if where == FAN_SET]
            if len(told) > heard:
                publisher.send(FAN_STATE, told[-1])
                heard = len(told)
            if until.wait(EVERY_S / len(said)):
                return
        rounds += 1


def main() -> int:
    ask = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ask.add_argument("--minutes", type=float, default=10.0)
    ask.add_argument("--folder", default=str(ROOT / "tests" / "bench" / "out"))
    asked = ask.parse_args()
    Path(asked.folder).mkdir(parents=True, exist_ok=True)
    done = threading.Event()
    with TemporaryDirectory(dir=asked.folder) as folder:
        broker = BrokerProcess(Path(folder) / "broker").start()
        daemon = DaemonProcess(Path(folder) / "daemon", broker.port, commit_every="200 s")
        text = daemon.settings_file.read_text().replace('name = "window"\n', 'name = "unused"\n')
        start, end = text.index('[[pen.sensor]]\nname = "unused"'), text.index("[pen.fan]")
        slow = 'shortest_on = "1 s"\nshortest_off = "1 s"\n'
        daemon.settings_file.write_text((text[:start] + sensors() + "\n" + text[end:]).replace(slow, ""))
        publisher = Publisher(broker.port, FAN_SET)
        try:
            daemon.start()
            assert daemon.process is not None
            pid = daemon.process.pid
            speaker = threading.Thread(target=speak, args=(publisher, done), daemon=True)
            speaker.start()
            assert wait_until(lambda: daemon.asked("SELECT count(*) FROM decision") != [(0,)], 60)
            done.wait(SETTLES_S)
            os.sync()
            used, written, began = seconds_used(pid), bytes_written(pid), time.monotonic()
            memory_mb = 0.0
            while time.monotonic() - began < asked.minutes * 60.0:
                done.wait(5.0)
                memory_mb = max(memory_mb, daemon.memory_mb())
            passed = time.monotonic() - began
            found = {
                "minutes": passed / 60.0,
                "memory_mb": memory_mb,
                "cpu_pct": (seconds_used(pid) - used) / passed * 100.0,
                "written_mb_a_day": (bytes_written(pid) - written) / passed * DAY_S / 1e6,
                "fan_changes": float(daemon.asked("SELECT count(*) FROM decision WHERE kind = 'fan'")[0][0]),
            }
        finally:
            done.set()
            daemon.kill()
            publisher.close()
            broker.kill()
    rows = (
        ("resident memory, MB", found["memory_mb"], MOST_MEMORY_MB),
        ("processor, % of one core", found["cpu_pct"], MOST_CPU_PCT),
        ("written, MB a day", found["written_mb_a_day"], MOST_WRITTEN_MB),
    )
    print(f"{found['minutes']:.0f} min, {found['fan_changes']:.0f} fan changes stored\n{'':<26} {'found':>8} {'at most':>8}")
    for name, value, most in rows:
        print(f"{name:<26} {value:>8.2f} {most:>8.0f}")
    (ROOT / "tests" / "bench" / "out" / "footprint.json").write_text(json.dumps(found, indent=1))
    return 0 if all(value <= most for _, value, most in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
