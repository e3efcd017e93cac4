"""The spine against what it stands on, as ratios in one run, for absolute figures say more of the machine than of us.

usage: python tests/bench/spine.py [--quick]

1. Durable readings a second (stored and acknowledged) against a bare subscriber that only acknowledges.
2. From a reading to the fan's command, against a bare MQTT echo.
3. Memory and start-up against the bare import of the same libraries.
4. Rehearsed readings a second against reading the rows from SQLite alone; what of it is the engine, what reading a CSV
   would cost instead, and which functions take most of it.
5. Cost of a reading with 10 and 100 pens against one.

Prints a table and writes tests/bench/out/spine.json. Rounds alternate between ours and the bare one; the best of each
counts, and for times of flight all rounds together.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from paho.mqtt.client import Client  # noqa: E402 - the path is set above
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402

from demo.broker import free_port  # noqa: E402
from monitor.engine.events import Reading  # noqa: E402
from monitor.engine.state import State  # noqa: E402
from monitor.engine.step import step  # noqa: E402
from tests.bench.rehearsal import best, invented, rehearsal, said  # noqa: E402
from tests.engine.barns import pen, site  # noqa: E402
from tests.whole.conftest import CONNECTED, LAMP, STARTED, DaemonProcess  # noqa: E402
from tests.wire.conftest import BrokerProcess, wait_until  # noqa: E402

Row = tuple[str, str, str, str]  # what, figure, ratio, goal
SUBSCRIBER = str(ROOT / "tests/bench/bare_subscriber.py")
LIBRARIES = "paho.mqtt.client, sqlite3, fastapi, fastapi.sse, uvicorn, pydantic_settings, argon2, psychrolib"


def child(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *words], stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )


# ------------------------------------------------------------ 1: readings a second


BARE = "bench/bare"  # a topic of its own: the broker would keep what comes between two rounds for the daemon's session


def publish(port: int, topic: str, readings: int) -> None:
    """As fast as mosquitto's own client can, at QoS 1."""
    lines = "".join(f"{n}\n" for n in range(readings))
    words = ["mosquitto_pub", "-p", str(port), "-q", "1", "-t", topic, "-l"]
    subprocess.run(words, input=lines, text=True, check=True)


def bare_rate(port: int, readings: int) -> float:
    subscriber = child(SUBSCRIBER, str(port), "count", BARE, str(readings))
    assert subscriber.stdout is not None
    assert subscriber.stdout.readline() == "ready\n"
    began = time.perf_counter()
    publish(port, BARE, readings)
    assert subscriber.stdout.readline() == "done\n"
    took = time.perf_counter() - began
    subscriber.kill()
    subscriber.wait()
    subscriber.stdout.close()
    return readings / took


def durable_rate(folder: Path, port: int, readings: int) -> float:
    daemon = DaemonProcess(folder, port, commit_every="60 s").start()
    try:
        time.sleep(1.0)  # its subscription is in place
        began = time.perf_counter()
        publish(port, LAMP, readings)
        asked = "SELECT count(*) FROM dated"
        assert wait_until(lambda: daemon.asked(asked)[0][0] >= readings - 99, 120), daemon.recent_log()
        took = time.perf_counter() - began  # the last, unfinished batch waits for its time, as it should
        daemon.stop()
        assert len(daemon.stored("brooder/lamp")) == readings
    finally:
        daemon.kill()
    return readings / took


# ------------------------------------------------------------ 2: reading to command

PENS, TURNS = 10, 6
GAP_S = 0.05  # a command is committed at once; the next reading comes after that, as from real sensors
PEN = """
[[pen]]
name = "pen {n}"
length = "12 ft"
width = "10 ft"
height = "8 ft"

[[pen.sensor]]
name = "ammonia"
measures = "ammonia"
place = "bird level"
topic = "bench/{n}/nh3"
every = "30 s"

[pen.fan]
command_topic = "bench/{n}/fan"
free_air = "400 cfm"
shut_off = "1.6 inH2O"
timer_period = "15 min"
shortest_on = "1 s"
shortest_off = "1 s"

[[pen.flock]]
name = "hens"
class = "layer"
hatched = 2026-01-05
count = 10
"""


class Asker:
    """Publishes a reading for one pen after another and waits for that pen's command."""

    def __init__(self, port: int) -> None:
        self.last: dict[str, str] = {}
        self._came = threading.Event()
        self._awaited = ""
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._note
        granted = threading.Event()
        self._client.on_subscribe = lambda *_: granted.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("bench/+/fan")
        assert granted.wait(10)

    def _note(self, _client: Client, _userdata: Any, message: Any) -> None:
        self.last[message.topic] = message.payload.decode()
        if message.topic == self._awaited and message.payload == b"on":
            self._came.set()

    def times_ms(self, turns: int) -> list[float]:
        """Each pen's fan on, one after another, then all off again, so many times."""
        found = []
        for _ in range(turns):
            for n in range(PENS):
                if self.last.get(f"bench/{n}/fan") != "on":  # else its timer runs it just now, and nothing is to be commanded
                    found.append(self._flight_ms(n))
                time.sleep(GAP_S)
            time.sleep(1.2)  # the shortest time on
            for n in range(PENS):
                self._client.publish(f"bench/{n}/nh3", "5", qos=1)
            time.sleep(1.2)  # and off
        return found

    def _flight_ms(self, n: int) -> float:
        self._came.clear()
        self._awaited = f"bench/{n}/fan"
        began = time.perf_counter()
        self._client.publish(f"bench/{n}/nh3", "60", qos=1)
        assert self._came.wait(10), f"no command for pen {n}"
        return (time.perf_counter() - began) * 1000

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def echo_ms(port: int, turns: int) -> list[float]:
    echo = child(SUBSCRIBER, str(port), "echo", "/nh3", "/fan")
    assert echo.stdout is not None
    assert echo.stdout.readline() == "ready\n"
    asker = Asker(port)
    found = asker.times_ms(turns)
    asker.close()
    echo.kill()
    echo.wait()
    echo.stdout.close()
    return found


def command_ms(folder: Path, port: int, turns: int) -> list[float]:
    pens = "".join(PEN.format(n=n) for n in range(PENS))
    danger = '[limits.ammonia_danger]\non_delay = "0 s"\noff_delay = "0 s"\n'
    daemon = DaemonProcess(folder, port, more=danger + pens, commit_every="60 s")
    asker = Asker(port)
    daemon.start()
    try:
        resting = [f"bench/{n}/fan" for n in range(PENS)]
        assert wait_until(lambda: all(asker.last.get(topic) == "off" for topic in resting), 120), daemon.recent_log()
        return asker.times_ms(turns)
    finally:
        asker.close()
        daemon.kill()


# ------------------------------------------------------------ 3: memory and start-up


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS"))


def processor_s(pid: int) -> float:
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


class Start(NamedTuple):
    """Seconds until it watches and until the page answers, the processor's seconds for both, and MB afterwards."""

    wall_s: float
    page_s: float
    processor_s: float
    memory_mb: float


def bare_start() -> Start:
    """Until the libraries are imported."""
    began = time.perf_counter()
    bare = child("-c", f"import {LIBRARIES}\nprint('ready', flush=True)\nimport time; time.sleep(60)")
    assert bare.stdout is not None
    assert bare.stdout.readline() == "ready\n"
    up_s = time.perf_counter() - began
    found = Start(up_s, up_s, processor_s(bare.pid), resident_mb(bare.pid))
    bare.kill()
    bare.wait()
    bare.stdout.close()
    return found


def daemon_start(folder: Path, port: int) -> Start:
    """Until the daemon watches and is connected, and until its page is there; its memory twenty seconds later."""
    daemon = DaemonProcess(folder, port)
    began = time.perf_counter()
    daemon.start("")
    try:
        assert wait_until(lambda: CONNECTED in daemon.recent_log()), daemon.recent_log()
        up_s = time.perf_counter() - began
        assert wait_until(lambda: STARTED in daemon.recent_log()), daemon.recent_log()
        assert daemon.process is not None
        page_s, worked_s = time.perf_counter() - began, processor_s(daemon.process.pid)
        time.sleep(20.0)
        return Start(up_s, page_s, worked_s, daemon.memory_mb())
    finally:
        daemon.kill()


def least(starts: list[Start]) -> Start:
    return Start(*(min(column) for column in zip(*starts, strict=True)))


# ------------------------------------------------------------ 4, 5: engine speed


def reading_us(pens: int, readings: int) -> float:
    """Microseconds of judging for one reading among so many pens; every pen judged each minute, as it must be."""
    specification = site(*(pen(f"pen {n}") for n in range(pens)))
    state = State()
    for ms, key, value in invented(specification, 4 * pens * 4):
        state, _ = step(state, Reading(ms / 1000, ms, key, value), specification)
    events = [Reading(ms / 1000 + 120, ms + 120_000, key, value) for ms, key, value in invented(specification, readings)]

    def run() -> None:
        now = state
        for event in events:
            now, _ = step(now, event, specification)

    return best(run) / readings * 1e6


# ------------------------------------------------------------ all of it


def percentile(times: list[float], share: float) -> float:
    return sorted(times)[min(len(times) - 1, int(len(times) * share))]


def against(what: str, ours: float, bare: float, form: str, goal: str) -> Row:
    return what, f"{ours:{form}} to {bare:{form}}", f"{ours / bare:.2f}", goal


def measured(folder: Path, quick: bool) -> tuple[list[Row], dict[str, Any]]:
    rounds, readings, turns = (1, 10_000, 3) if quick else (3, 30_000, TURNS)
    broker = BrokerProcess(folder / "broker", port=free_port()).start()
    try:
        port = broker.port
        pairs = [(bare_rate(port, readings), durable_rate(folder / f"rate{n}", port, readings)) for n in range(rounds)]
        flights = [(echo_ms(port, turns), command_ms(folder / f"fan{n}", port, turns)) for n in range(rounds)]
        starts = [(bare_start(), daemon_start(folder / f"start{n}", port)) for n in range(rounds)]
    finally:
        broker.kill()
    bare, durable = (max(found) for found in zip(*pairs, strict=True))
    echo, command = ([ms for times in found for ms in times] for found in zip(*flights, strict=True))
    imports, ours = (least(list(found)) for found in zip(*starts, strict=True))
    lived = rehearsal(folder / "rehearsal", 50_000 if quick else 300_000, 8.0 if quick else 48.0)
    rehearsed, rows = lived.stored_per_s, lived.rows_per_s
    costs = {pens: reading_us(pens, 40_000) for pens in (1, 10, 100)}
    middle, late = (percentile(command, q) / percentile(echo, q) for q in (0.5, 0.99))
    flown, echoed = ([percentile(ms, q) for q in (0.5, 0.99)] for ms in (command, echo))
    figures = {
        "durable_per_s": durable,
        "bare_subscriber_per_s": bare,
        "durable_to_bare": durable / bare,
        "echo_ms": echoed,
        "command_ms": flown,
        "command_to_echo": [middle, late],
        "start": ours._asdict(),
        "bare_imports": imports._asdict(),
        "start_to_bare": [part / bare for part, bare in zip(ours[:3], imports[:3], strict=True)],
        "memory_to_bare": ours.memory_mb / imports.memory_mb,
        "rehearsed_per_s": rehearsed,
        "rows_per_s": rows,
        "rehearsed_to_rows": rehearsed / rows,
        "rehearsal": lived._asdict(),
        "reading_us": costs,
        "reading_100_to_1": costs[100] / costs[1],
    }
    table = [
        against("durable readings/s, to a bare subscriber", durable, bare, ",.0f", "≥ 0.5"),
        against("ms to the fan's command, to an echo, median", flown[0], echoed[0], ".2f", "≤ 1.5"),
        against("ms to the fan's command, 99th percentile", flown[1], echoed[1], ".2f", "≤ 3"),
        against("s until it watches, to bare imports", ours.wall_s, imports.wall_s, ".2f", "≤ 1.5"),
        against("s until the page is there too", ours.page_s, imports.page_s, ".2f", ""),
        against("processor s until then, to bare imports", ours.processor_s, imports.processor_s, ".2f", ""),
        against("MB, to bare imports", ours.memory_mb, imports.memory_mb, ".0f", "≤ 1.35"),
        against("rehearsed readings/s, to SQLite rows/s", rehearsed, rows, ",.0f", "≥ 200,000/s"),
        against("the engine alone, readings/s, to the same", lived.engine_per_s, rows, ",.0f", ""),
        against(
            "µs a judgement, to a quiet reading, medians", lived.judging["judged_us"], lived.judging["quiet_us"], ".1f", "≤ 60 µs"
        ),
        against("µs a reading, 10 pens to 1", costs[10], costs[1], ".1f", "≤ 1.3"),
        against("µs a reading, 100 pens to 1", costs[100], costs[1], ".1f", "≤ 1.3"),
    ]
    return table, figures


def main() -> None:
    ask = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ask.add_argument("--quick", action="store_true", help="one round of each, with fewer readings")
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        table, figures = measured(Path(folder), asked.quick)
    print(f"{'what':<46} {'measured':>22} {'ratio':>7}  goal")
    for what, figure, ratio, goal in table:
        print(f"{what:<46} {figure:>22} {ratio:>7}  {goal}")
    print("\n" + said(figures["rehearsal"]))
    out = ROOT / "tests" / "bench" / "out"
    out.mkdir(exist_ok=True)
    (out / "spine.json").write_text(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
