"""SIGKILL at random instants while three sensors speak: is every reading in the store exactly once, and who was rung?

usage: python tests/bench/kills.py [--kills 200] [--seed 1]

A real mosquitto, the daemon as a process, and a phone that counts what reaches it. The lamp counts; the window counts in
SenML with times of its own; the ammonia says one number over and over, in bursts after each start, so that only counting
tells its readings apart. Prints a table and writes tests/bench/out/kills.json; exit code 1 when a reading is lost or
doubled, or somebody was rung twice.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.notify.conftest import Receiver  # noqa: E402 - the path is set above
from tests.whole.conftest import DaemonProcess, NumberedSensors, differences, is_all_stored  # noqa: E402
from tests.wire.conftest import BrokerProcess, wait_until  # noqa: E402

# Hours until anybody is told again, for a long run is meant to ring once.
TELL = """
[[tell]]
person = "Nora"
channel = "json://127.0.0.1:{port}/"
escalate_after = "12 h"
repeat_every = "12 h"
"""


def main() -> int:
    ask = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ask.add_argument("--kills", type=int, default=200)
    ask.add_argument("--seed", type=int, default=1)
    asked = ask.parse_args()
    dice = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as folder:
        broker = BrokerProcess(Path(folder) / "broker").start()
        phone = Receiver()
        daemon = DaemonProcess(Path(folder) / "daemon", broker.port, TELL.format(port=phone.port)).start()
        sensors = NumberedSensors(broker.port).start(daemon)
        try:
            wait_until(lambda: len(phone.taken) == 1)
            wait_until(lambda: daemon.asked("SELECT count(*) FROM outbox WHERE status = 'sent'") == [(1,)])
            began, back_s = time.monotonic(), []
            for n in range(asked.kills):
                daemon.kill()
                killed = time.monotonic()
                daemon.start("" if n % 4 == 3 else "connected by MQTT")  # every fourth dies while it comes up
                if n % 4 != 3:
                    back_s.append(time.monotonic() - killed)
                time.sleep(dice.uniform(0.0, 1.5))
            took_s = time.monotonic() - began
            told = sensors.stop()
            wait_until(lambda: is_all_stored(daemon, told), 60)
            code, _ = daemon.stop() if daemon.is_alive else (-1, 0.0)
            wrong = differences(daemon, told)
            notices = daemon.asked("SELECT alarm, kind, status FROM outbox ORDER BY id")
            alarms = [s for (s,) in daemon.asked("SELECT state FROM decision WHERE what = 'ammonia_birds' ORDER BY id")]
        finally:
            daemon.kill()
            broker.kill()
    rows = {}
    print(f"{asked.kills} kills in {took_s:.0f} s; back and connected in {sorted(back_s)[len(back_s) // 2]:.2f} s (median)")
    print(f"{'sensor':<10} {'published':>10} {'lost':>6} {'doubled':>8}")
    for sensor in ("ammonia", "lamp", "window"):
        off = wrong.get(sensor, {}).values()
        rows[sensor] = {
            "published": len(getattr(told, sensor)),
            "lost": -sum(n for n in off if n < 0),
            "doubled": sum(n for n in off if n > 0),
        }
        print(f"{sensor:<10} {rows[sensor]['published']:>10} {rows[sensor]['lost']:>6} {rows[sensor]['doubled']:>8}")
    rung = [body["title"] for body in phone.taken if "ammonia" in body["title"].lower()]
    print(f"the alarm's states: {alarms}; rung {len(rung)} time(s); clean stop at the end: exit code {code}")
    if wrong:
        print(f"wrong, by sensor and value: {wrong}")
    print(f"notices in the outbox: {notices}")
    out = ROOT / "tests" / "bench" / "out"
    out.mkdir(exist_ok=True)
    report = {"kills": asked.kills, "seconds": took_s, "back_s": back_s, "sensors": rows, "alarms": alarms}
    (out / "kills.json").write_text(json.dumps(report | {"rung": len(rung), "exit_code": code}, indent=1))
    sound = not wrong and len(rung) == 1 and alarms == ["unacknowledged"] and code == 0
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
