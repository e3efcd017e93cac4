"""What MQTT itself costs here: a bare subscriber and a bare echo, and our session beside them in the same run.

usage: python tests/bench/bare_mqtt.py [MESSAGES]

Starts its own mosquitto. Prints one JSON object: messages a second of a bare subscriber that only
acknowledges, of our session with a reader, acknowledging in batches of 100, and their ratio; median
and 99th percentile in ms from publish to answer of a bare echo and of our session, and their ratios.
"""

from __future__ import annotations

import importlib.util
import json
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from monitor.engine.connections import Broker, Delivery  # noqa: E402 - the path is set above
from monitor.wire.payloads import PayloadReader  # noqa: E402
from monitor.wire.session import Arrival, Session  # noqa: E402

ROUNDS = 3  # the best of them counts: the machine is shared


def wire_fixtures() -> ModuleType:
    """The broker process and the small specification of the wire's tests."""
    place = importlib.util.spec_from_file_location("wire_fixtures", ROOT / "tests/wire/conftest.py")
    assert place is not None
    assert place.loader is not None
    module = importlib.util.module_from_spec(place)
    place.loader.exec_module(module)
    return module


def client(port: int) -> Client:
    made = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    made.max_inflight_messages_set(200)
    made.max_queued_messages_set(0)
    # As the session does; with mosquitto's set_tcp_nodelay a round trip falls from 42 ms to half a millisecond.
    made.on_socket_open = lambda _client, _userdata, opened: opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    up = threading.Event()
    made.on_connect = lambda *_: up.set()
    made.connect("127.0.0.1", port)
    made.loop_start()
    assert up.wait(10)
    return made


def flood(port: int, messages: int, arrived: Callable[[], int]) -> float:
    """Messages a second from the first publish to the last arrival."""
    sender = client(port)
    begun = time.perf_counter()
    for n in range(messages):
        sender.publish("barn/probe", b"%d.5" % (n % 40), qos=1)
    while arrived() < messages:
        time.sleep(0.001)
        if time.perf_counter() - begun > 120:
            raise TimeoutError(f"{arrived()} of {messages} arrived")
    rate = messages / (time.perf_counter() - begun)
    sender.disconnect()
    sender.loop_stop()
    return rate


def bare_rate(port: int, messages: int) -> float:
    count = [0]
    listener = client(port)

    def on_message(*_: object) -> None:
        count[0] += 1

    listener.on_message = on_message
    granted = threading.Event()
    listener.on_subscribe = lambda *_: granted.set()
    listener.subscribe("barn/probe", 1)
    assert granted.wait(10)
    rate = flood(port, messages, lambda: count[0])
    listener.disconnect()
    listener.loop_stop()
    return rate


def session_rate(port: int, messages: int, reader: PayloadReader, client_id: str) -> float:
    count = [0]
    batch: list[Delivery] = []
    session: Session

    def on_arrival(arrival: Arrival) -> None:
        reader.read(arrival.topic, arrival.payload, arrival.retained, 1.0, 1_764_000_000_000)
        if arrival.delivery is not None:
            batch.append(arrival.delivery)
        if len(batch) >= 100 or count[0] + 1 == messages:
            session.acknowledge(batch)
            batch.clear()
        count[0] += 1

    session = Session(Broker(port=port, client_id=client_id), [("barn/probe", 1)], "alive", on_arrival, lambda *_: None)
    session.start()
    while not session.connected:
        time.sleep(0.01)
    time.sleep(0.2)
    rate = flood(port, messages, lambda: count[0])
    session.stop()
    return rate


def round_trips(port: int, count: int) -> list[float]:
    """Milliseconds from publishing a reading to receiving the answer, one at a time."""
    answered = threading.Event()
    asker = client(port)
    asker.on_message = lambda *_: answered.set()
    granted = threading.Event()
    asker.on_subscribe = lambda *_: granted.set()
    asker.subscribe("barn/fan", 0)
    assert granted.wait(10)
    times = []
    for _ in range(count):
        answered.clear()
        begun = time.perf_counter()
        asker.publish("barn/probe", b"21.5", qos=1)
        assert answered.wait(10)
        times.append((time.perf_counter() - begun) * 1000)
        time.sleep(0.002)
    asker.disconnect()
    asker.loop_stop()
    return sorted(times)


def bare_echo(port: int, count: int) -> list[float]:
    echo = client(port)
    echo.on_message = lambda *_: echo.publish("barn/fan", b"ON")
    granted = threading.Event()
    echo.on_subscribe = lambda *_: granted.set()
    echo.subscribe("barn/probe", 1)
    assert granted.wait(10)
    times = round_trips(port, count)
    echo.disconnect()
    echo.loop_stop()
    return times


def session_echo(port: int, count: int, reader: PayloadReader) -> list[float]:
    session: Session

    def on_arrival(arrival: Arrival) -> None:
        reader.read(arrival.topic, arrival.payload, arrival.retained, 1.0, 1_764_000_000_000)
        session.publish("barn/fan", b"ON")
        if arrival.delivery is not None:
            session.acknowledge([arrival.delivery])

    session = Session(Broker(port=port, client_id="echo"), [("barn/probe", 1)], "alive", on_arrival, lambda *_: None)
    session.start()
    while not session.connected:
        time.sleep(0.01)
    time.sleep(0.2)
    times = round_trips(port, count)
    session.stop()
    return times


def main(messages: int) -> None:
    fixtures = wire_fixtures()
    reader = PayloadReader(fixtures.make_specification(fixtures.make_sensor()))
    with tempfile.TemporaryDirectory() as folder:
        broker = fixtures.BrokerProcess(Path(folder)).start()
        try:
            bare = max(bare_rate(broker.port, messages) for _ in range(ROUNDS))
            ours = max(session_rate(broker.port, messages, reader, f"bench{n}") for n in range(ROUNDS))
            echo, answer = bare_echo(broker.port, 500), session_echo(broker.port, 500, reader)
        finally:
            broker.kill()
    median, late = len(echo) // 2, len(echo) * 99 // 100
    figures = {
        "bare_subscriber_per_s": round(bare),
        "session_per_s": round(ours),
        "session_to_bare": round(ours / bare, 2),
        "echo_ms": [round(echo[median], 3), round(echo[late], 3)],
        "session_ms": [round(answer[median], 3), round(answer[late], 3)],
        "session_to_echo": [round(answer[median] / echo[median], 2), round(answer[late] / echo[late], 2)],
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
