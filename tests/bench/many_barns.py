"""What a barn costs when many share one broker: 1 to 200 simulated barns of eight sensors, a daemon's session and an answer.

usage: python tests/bench/many_barns.py [--seconds 30] [--barns 1 10 50 200]

The harshest layout: sensors and daemons of all barns on one mosquitto with deploy's own settings, accounts and access
lists (boards that bridge send it far less). Each barn publishes a barn-hour (8 sensors every 30 s, an answer every
minute) in two minutes. Its daemon's side is the real Session and PayloadReader, acknowledging each reading; the yard
is the real reader of answers. Counted: processor time of each process, per barn and barn-hour. Goal: at 200 barns at
most 1.3 times that at 10. Prints a table, writes tests/bench/out/many_barns.json; exit code 1 when a message is missing.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from paho.mqtt.client import Client  # noqa: E402 — after the path to the package
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402

from monitor.engine.connections import Broker, Secret  # noqa: E402
from monitor.engine.specification import Calibration, Measure, Place, Sensor, Specification  # noqa: E402
from monitor.wire.other_sites import OtherSites  # noqa: E402
from monitor.wire.payloads import PayloadReader  # noqa: E402
from monitor.wire.session import Arrival, Session  # noqa: E402
from tests.deploy.conftest import Barn, wait_until  # noqa: E402
from tests.wire.conftest import make_specification  # noqa: E402

OUT = Path(__file__).parent / "out" / "many_barns.json"
SENSORS = 8
SQUEEZE = 30.0  # a barn-hour in two minutes
READING_EVERY_S, ANSWER_EVERY_S = 30.0 / SQUEEZE, 60.0 / SQUEEZE
GOAL = 1.3
IN_ONE_PROCESS = 10  # boards are machines of their own; all in one interpreter would measure its lock (2.0 for 1.3)


@dataclass(frozen=True, slots=True)
class Cost:
    """Of one barn for one of its hours; delays from the daemon's publish to the yard's ear."""

    barns: int
    broker_ms: float
    boards_ms: float
    yard_ms: float
    broker_kb: float
    delay_median_ms: float
    delay_p99_ms: float
    readings_missing: int
    answers_missing: int


def site(number: int) -> str:
    return f"Barn {number:03}"


def sensor(number: int, which: int) -> Sensor:
    name, topic = f"probe{which}", f"barn{number:03}/probe{which}"
    return Sensor(
        f"pen/{name}", "pen", name, Measure.TEMPERATURE, Place.BIRD_LEVEL, topic, "/t", None, "degC", 1.0, 0.0,
        30.0, Calibration(), -40.0, 60.0, 5.0, 180.0, 21600.0,
    )  # fmt: skip


def specification(number: int) -> Specification:
    """Enough of one for the reader of payloads."""
    sensors = tuple(sensor(number, which) for which in range(SENSORS))
    return replace(make_specification(*sensors), site=site(number))


def broker_for(port: int, name: str, password: str, client_id: str) -> Broker:
    return Broker(port=port, username=name, password=Secret(password), client_id=client_id, session_expiry_s=60)


def paced(seconds: float, every_s: float, do: Callable[[], None]) -> int:
    """Do it every so often for so long; how often it was."""
    begun, times = time.monotonic(), 0
    while (due := begun + times * every_s) < begun + seconds:
        time.sleep(max(0.0, due - time.monotonic()))
        do()
        times += 1
    return times


def sensors_process(pipe: Connection, port: int, keys: list[str], seconds: float) -> None:
    """All sensors: one client for each barn."""
    clients = []
    for number, key in enumerate(keys):
        client = Client(CallbackAPIVersion.VERSION2, client_id=f"sensors{number}")
        client.username_pw_set(f"barn{number:03}", key)
        client.connect("127.0.0.1", port)
        client.loop_start()
        clients.append(client)
    assert wait_until(lambda: all(client.is_connected() for client in clients))
    pipe.send("ready")
    pipe.recv()

    def publish() -> None:
        for number, client in enumerate(clients):
            for which in range(SENSORS):
                client.publish(f"barn{number:03}/probe{which}", b'{"t": 31.25}', 1)

    rounds = paced(seconds, READING_EVERY_S, publish)
    pipe.send(rounds * SENSORS)
    pipe.recv()


def boards_process(pipe: Connection, port: int, key: str, numbers: range, seconds: float) -> None:
    """The daemons' sides of some barns: a session and a reader of payloads for each."""
    counts = dict.fromkeys(numbers, 0)
    sessions: dict[int, Session] = {}

    def taker(number: int, reader: PayloadReader) -> Callable[[Arrival], None]:
        def take(arrival: Arrival) -> None:
            counts[number] += len(reader.read(arrival.topic, arrival.payload, arrival.retained, 0.0, None))
            if arrival.delivery is not None:
                sessions[number].acknowledge([arrival.delivery])

        return take

    for number in numbers:
        reader = PayloadReader(specification(number))
        topics = [(topic, 1) for topic in reader.topics]
        to = broker_for(port, "warmstraw", key, f"board{number}")
        alive = f"warmstraw/{site(number)}/alive"
        sessions[number] = Session(to, topics, alive, taker(number, reader), lambda *_: None)
        sessions[number].start()
    assert wait_until(lambda: all(one.connected for one in sessions.values()), 60.0)
    pipe.send("ready")
    pipe.recv()
    begun = time.process_time()

    def answer() -> None:
        for number, one in sessions.items():
            pens = [{"pen": "pen", "answer": "Warm and dry; the fan rests.", "verdict": "good"}]
            told = {"site": site(number), "pens": pens, "alarms": [], "time": None, "sent_ns": time.monotonic_ns()}
            one.publish(f"warmstraw/{site(number)}/answer", json.dumps(told), qos=1, retain=True)

    rounds = paced(seconds, ANSWER_EVERY_S, answer)
    pipe.send(rounds * len(sessions))
    wanted = pipe.recv() * len(sessions)
    wait_until(lambda: sum(counts.values()) >= wanted)
    pipe.send((sum(counts.values()), time.process_time() - begun))
    for one in sessions.values():
        one.stop(1.0)


def on_processor_s(pid: int) -> float:
    """Of a process with one thread, as mosquitto is (proc(5): schedstat, nanoseconds)."""
    return int(Path(f"/proc/{pid}/schedstat").read_text().split()[0]) / 1e9


def resident_kb(pid: int) -> int:
    line = next(line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1])


def measure(barns: int, seconds: float) -> Cost:
    """One run."""
    with tempfile.TemporaryDirectory() as folder:
        broker = Barn(Path(folder))
        key = broker.password("daemon")
        keys = [
            broker.password("sensor", f"barn{number:03}", *(f"barn{number:03}/probe{which}" for which in range(SENSORS)))
            for number in range(barns)
        ]
        reader_key = broker.password("yard", "office")
        broker.put("warmstraw.conf")
        broker.start()
        assert broker.process is not None
        empty_kb = resident_kb(broker.process.pid)
        try:
            return _measure(broker, broker.process.pid, empty_kb, key, keys, reader_key, seconds)
        finally:
            broker.end()


def _measure(broker: Barn, pid: int, empty_kb: int, key: str, keys: list[str], reader_key: str, seconds: float) -> Cost:
    barns = len(keys)
    start = multiprocessing.get_context("spawn")
    sensors_pipe, sensors_end = start.Pipe()
    processes = [start.Process(target=sensors_process, args=(sensors_end, broker.port, keys, seconds), daemon=True)]
    boards_pipes = []
    for first in range(0, barns, IN_ONE_PROCESS):
        pipe, end = start.Pipe()
        boards_pipes.append(pipe)
        some = range(first, min(first + IN_ONE_PROCESS, barns))
        processes.append(start.Process(target=boards_process, args=(end, broker.port, key, some, seconds), daemon=True))
    sites, delays_ms = OtherSites(), []

    def hear(arrival: Arrival) -> None:
        if arrival.topic.endswith("/answer"):
            delays_ms.append((time.monotonic_ns() - json.loads(arrival.payload)["sent_ns"]) / 1e6)
        sites.hear(arrival.topic, arrival.payload, arrival.retained, time.monotonic())
        if arrival.delivery is not None:
            yard.acknowledge([arrival.delivery])

    topics = [("warmstraw/+/answer", 1), ("warmstraw/+/alive", 1)]
    yard = Session(broker_for(broker.port, "office", reader_key, "yard"), topics, "yard/alive", hear, lambda *_: None)
    for process in processes:
        process.start()
    yard.start()
    for pipe in (*boards_pipes, sensors_pipe):
        pipe.recv()
    broker_begun, yard_begun = on_processor_s(pid), time.process_time()
    for pipe in (*boards_pipes, sensors_pipe):
        pipe.send("go")
    answers = sum(int(pipe.recv()) for pipe in boards_pipes)
    readings_of_a_barn = int(sensors_pipe.recv())
    for pipe in boards_pipes:
        pipe.send(readings_of_a_barn)
    told = [pipe.recv() for pipe in boards_pipes]
    readings, stored, boards_s = readings_of_a_barn * barns, sum(one[0] for one in told), sum(one[1] for one in told)
    wait_until(lambda: len(delays_ms) >= answers)
    broker_s, yard_s = on_processor_s(pid) - broker_begun, time.process_time() - yard_begun
    held_kb = resident_kb(pid) - empty_kb
    sensors_pipe.send("end")
    yard.stop(2.0)
    for process in processes:
        process.join(20)
    hours = barns * seconds * SQUEEZE / 3600
    delays = sorted(delays_ms)
    return Cost(
        barns=barns,
        broker_ms=round(1000 * broker_s / hours, 2),
        boards_ms=round(1000 * boards_s / hours, 1),
        yard_ms=round(1000 * yard_s / hours, 2),
        broker_kb=round(held_kb / barns, 1),
        delay_median_ms=round(statistics.median(delays), 2),
        delay_p99_ms=round(delays[int(0.99 * (len(delays) - 1))], 2),
        readings_missing=readings - stored,
        answers_missing=answers - len(delays),
    )


def main() -> int:
    """Measure each number of barns, and print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--seconds", type=float, default=30.0)
    words.add_argument("--barns", type=int, nargs="+", default=[1, 10, 50, 200])
    asked = words.parse_args()
    print("processor time for one barn's hour; memory the broker holds for one barn; delay from daemon to yard")
    print(f"{'barns':>6} {'broker':>9} {'daemons':>9} {'yard':>9} {'broker':>9} {'delay':>9} {'p99':>9}  missing")
    costs: list[Cost] = []
    for barns in asked.barns:
        cost = measure(barns, asked.seconds)
        costs.append(cost)
        print(
            f"{barns:6} {cost.broker_ms:6.1f} ms {cost.boards_ms:6.0f} ms {cost.yard_ms:6.1f} ms {cost.broker_kb:6.1f} kB"
            f" {cost.delay_median_ms:6.1f} ms {cost.delay_p99_ms:6.1f} ms  {cost.readings_missing + cost.answers_missing}",
            flush=True,
        )
    ten = next((cost for cost in costs if cost.barns == 10), costs[0])
    ratios = {
        name: round(getattr(costs[-1], name) / max(getattr(ten, name), 1e-9), 2) for name in ("broker_ms", "boards_ms", "yard_ms")
    }
    told = ", ".join(f"{name.removesuffix('_ms')} {ratio:.2f}" for name, ratio in ratios.items())
    print(f"a barn at {costs[-1].barns} barns against one at {ten.barns}: {told} (goal: at most {GOAL})")
    OUT.parent.mkdir(exist_ok=True)
    report = {"seconds": asked.seconds, "costs": [asdict(cost) for cost in costs], "ratios": ratios}
    OUT.write_text(json.dumps(report, indent=2) + "\n")
    return 0 if all(cost.readings_missing == cost.answers_missing == 0 for cost in costs) else 1


if __name__ == "__main__":
    sys.exit(main())
