"""Real mosquitto processes on free ports, and the smallest specifications the wire needs."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

import monitor
from demo.broker import free_port
from monitor.engine.connections import Broker, Delivery
from monitor.engine.specification import Calibration, Fan, Limit, Limits, Measure, Pen, Place, Priority, Sensor, Specification
from monitor.wire.session import Arrival, Session

# Debian keeps it where an ordinary user's search path does not look.
MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
DEADLINE_S = 15.0


def wait_until(condition: Callable[[], object], deadline_s: float = DEADLINE_S) -> bool:
    """Whether this came true before the deadline; looked at every 5 ms."""
    end = time.monotonic() + deadline_s
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.005)
    return bool(condition())


class BrokerProcess:
    """One mosquitto, started, stopped, killed and frozen at will; the port and the folder stay the same."""

    def __init__(
        self,
        folder: Path,
        port: int | None = None,
        password_file: Path | None = None,
        persistence: bool = False,
        lines: tuple[str, ...] = (),
        listener_lines: tuple[str, ...] = (),
    ) -> None:
        """Write the settings; nothing runs until `start`.

        Args:
            folder: for settings, log and persistence file.
            port: on 127.0.0.1; a free one is taken when left out.
            password_file: as mosquitto_passwd writes it; without one everybody may come in.
            persistence: keep sessions and queues in a file, saved at a clean stop and by `save`.
            lines, listener_lines: more mosquitto.conf lines, general and of the listener.
        """
        self.folder = folder
        self.port = port or free_port()
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        access = ["allow_anonymous true"]
        if password_file is not None:
            access = ["allow_anonymous false", f"password_file {password_file}"]
        settings = [
            f"listener {self.port} 127.0.0.1",
            *listener_lines,
            *access,
            *(["user root"] if os.geteuid() == 0 else []),  # else it drops to a user who may not read here
            f"persistence {'true' if persistence else 'false'}",
            f"persistence_location {folder}/",
            "autosave_interval 0",  # saved when a test says so, else what a kill leaves would be chance
            "max_queued_messages 100000",
            "set_tcp_nodelay true",  # else every second small packet waits 40 ms
            f"log_dest file {folder}/mosquitto.log",
            *lines,
        ]
        (folder / "mosquitto.conf").write_text("\n".join(settings) + "\n")

    def start(self) -> BrokerProcess:
        assert MOSQUITTO is not None, "mosquitto is not installed: apt-get install mosquitto"
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        assert wait_until(self._answers), f"mosquitto did not come up:\n{self.log()}"
        return self

    def stop(self) -> None:
        """End it in good order; it saves its persistence file."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it like a power cut."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Keep the process and its sockets, but let it answer nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def save(self) -> None:
        """Have it write its persistence file now (SIGUSR1), and wait until that is done."""
        assert self._process is not None
        file = self.folder / "mosquitto.db"
        before = file.stat().st_mtime_ns if file.exists() else 0
        self._process.send_signal(signal.SIGUSR1)
        assert wait_until(lambda: file.exists() and file.stat().st_mtime_ns != before)

    def log(self) -> str:
        file = self.folder / "mosquitto.log"
        return file.read_text(errors="replace") if file.exists() else ""

    def _answers(self) -> bool:
        if self._process is not None and self._process.poll() is not None:
            return False
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
        except OSError:
            return False
        return True

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(how)
            self._process.wait(timeout=DEADLINE_S)
            self._process = None


@pytest.fixture(name="wait_until")
def _wait_until() -> Callable[..., bool]:
    return wait_until


@pytest.fixture
def child_environment() -> dict[str, str]:
    """For a child process that imports the package from this tree, installed or not."""
    return {**os.environ, "PYTHONPATH": str(Path(monitor.__file__).parents[1])}


@pytest.fixture
def unused_port() -> int:
    return free_port()


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., BrokerProcess]]:
    """Starts brokers, each in a folder of its own, and ends them after the test."""
    brokers: list[BrokerProcess] = []

    def make(**options: Any) -> BrokerProcess:
        broker = BrokerProcess(tmp_path / f"broker{len(brokers)}", **options)
        brokers.append(broker)
        return broker.start()

    yield make
    for broker in brokers:
        broker.kill()


def make_sensor(name: str = "probe", topic: str = "barn/probe", **changes: Any) -> Sensor:
    """A Celsius thermometer on a bare-number topic, unless changed."""
    settings: dict[str, Any] = {
        "key": f"brooder/{name}",
        "pen": "brooder",
        "name": name,
        "measures": Measure.TEMPERATURE,
        "place": Place.BIRD_LEVEL,
        "topic": topic,
        "pointer": None,
        "record": None,
        "unit": "degC",
        "unit_gain": 1.0,
        "unit_offset": 0.0,
        "every_s": 30.0,
        "calibration": Calibration(),
        "lowest": -40.0,
        "highest": 60.0,
        "largest_step": 5.0,
        "silent_after_s": 180.0,
        "stuck_after_s": 21600.0,
    }
    return Sensor(**(settings | changes))


def make_fan(**changes: Any) -> Fan:
    """An on/off fan whose relay says ON and OFF, unless changed."""
    settings: dict[str, Any] = {
        "command_topic": "barn/fan/set",
        "report_topic": "barn/fan/state",
        "report_pointer": None,
        "on_word": "ON",
        "off_word": "OFF",
        "variable": False,
        "lowest_speed_pct": 0.0,
        "shortest_on_s": 60.0,
        "shortest_off_s": 60.0,
        "timer_period_s": 300.0,
        "report_within_s": 10.0,
        "curve": ((0.0, 100.0), (0.2, 0.0)),
        "curve_source": "a test",
    }
    return Fan(**(settings | changes))


def make_specification(*sensors: Sensor, fan: Fan | None = None) -> Specification:
    """One pen with these sensors and this fan."""
    limits = Limits(
        warmth={},
        alarms={},
        ammonia_danger=Limit(50.0, 40.0, 0.0, 0.0, Priority.URGENT, "a test"),
        warmth_deadband_c=1.0,
        fresh_for_s=300.0,
        minimum_airflow_m3_h_kg=1.0,
        minimum_airflow_source="a test",
        carbon_dioxide_ppm=3000.0,
        humidity_target_pct=65.0,
        ammonia_target_ppm=10.0,
    )
    pen = Pen("brooder", 3.0, 3.0, 2.4, 0.9, tuple(sensors), fan, None, None, (), limits)
    return Specification("Mill Rise", "Europe/Dublin", "metric", 0.0, {"brooder": pen}, {s.key: s for s in sensors}, {})


@pytest.fixture(name="make_sensor")
def _make_sensor() -> Callable[..., Sensor]:
    return make_sensor


@pytest.fixture(name="make_fan")
def _make_fan() -> Callable[..., Fan]:
    return make_fan


@pytest.fixture(name="make_specification")
def _make_specification() -> Callable[..., Specification]:
    return make_specification


# ------------------------------------------------------------ MQTT clients


class Publisher:
    """Another MQTT client: what a sensor or a keeper's tool does. Records what it hears."""

    def __init__(self, port: int, *listen_to: str, **login: str) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._client = Client(CallbackAPIVersion.VERSION2)
        if login:
            self._client.username_pw_set(login["username"], login["password"])
        self._client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        granted = threading.Event()
        self._client.on_subscribe = lambda *_: granted.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        if listen_to:
            assert wait_until(self._client.is_connected)
            self._client.subscribe([(topic, 1) for topic in listen_to])
            assert granted.wait(DEADLINE_S)

    def send(self, topic: str, *payloads: bytes | str, qos: int = 1, retain: bool = False) -> None:
        """Publish these one after another, and wait for the broker's receipt of each."""
        for receipt in [self._client.publish(topic, payload, qos, retain) for payload in payloads]:
            receipt.wait_for_publish(DEADLINE_S)

    def last(self, topic: str) -> bytes | None:
        return next((payload for heard, payload, _ in reversed(self.heard) if heard == topic), None)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Ears:
    """A session and everything it called."""

    def __init__(self, port: int, *topics: str, **changes: Any) -> None:
        on_arrival = changes.pop("on_arrival", None)
        broker = {"port": port, "client_id": "barn", "keepalive_s": 5} | changes
        self.arrivals: list[Arrival] = []
        self.links: list[tuple[bool, str]] = []
        self.sessions: list[bool] = []
        self.session = Session(
            Broker(**broker),
            [(topic, 1) for topic in topics],
            "warmstraw/mill-rise/alive",
            on_arrival or self.arrivals.append,
            lambda up, why: self.links.append((up, why)),
            self.sessions.append,
            chance=lambda: 0.0,
        )

    def start(self) -> Ears:
        self.session.start()
        assert wait_until(lambda: self.session.subscribed), self.session.last_error
        return self

    @property
    def payloads(self) -> list[bytes]:
        return [arrival.payload for arrival in self.arrivals]

    @property
    def deliveries(self) -> list[Delivery]:
        return [arrival.delivery for arrival in self.arrivals if arrival.delivery is not None]

    def wait_for(self, count: int) -> bool:
        return wait_until(lambda: len(self.arrivals) >= count)


@pytest.fixture
def make_publisher() -> Iterator[Callable[..., Publisher]]:
    """Connects publishers, and closes them after the test."""
    publishers: list[Publisher] = []

    def make(broker: BrokerProcess, *listen_to: str, **login: str) -> Publisher:
        publishers.append(Publisher(broker.port, *listen_to, **login))
        return publishers[-1]

    yield make
    for publisher in publishers:
        publisher.close()


@pytest.fixture
def make_ears() -> Iterator[Callable[..., Ears]]:
    """Makes sessions that record what they are told, and stops them after the test."""
    made: list[Ears] = []

    def make(port: int, *topics: str, **changes: Any) -> Ears:
        made.append(Ears(port, *topics, **changes))
        return made[-1]

    yield make
    for ears in made:
        ears.session.stop()
