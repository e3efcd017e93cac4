"""Real mosquitto processes on free ports, and the smallest specifications the wire needs."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.engine.specification import Calibration, Fan, Limit, Limits, Measure, Pen, Place, Priority, Sensor, Specification

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


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


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
def unused_port() -> int:
    return free_port()


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., BrokerProcess]]:
    """Starts brokers, each in a folder of its own, and ends them after the test."""
    brokers: list[BrokerProcess] = []

    def make(**options: object) -> BrokerProcess:
        broker = BrokerProcess(tmp_path / f"broker{len(brokers)}", **options)  # type: ignore[arg-type]  # options are its own
        brokers.append(broker)
        return broker.start()

    yield make
    for broker in brokers:
        broker.kill()


def make_sensor(name: str = "probe", topic: str = "barn/probe", **changes: object) -> Sensor:
    """A Celsius thermometer on a bare-number topic, unless changed."""
    settings: dict[str, object] = {
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
    return Sensor(**(settings | changes))  # type: ignore[arg-type]  # settings are the dataclass's own fields


def make_fan(**changes: object) -> Fan:
    """An on/off fan whose relay says ON and OFF, unless changed."""
    settings: dict[str, object] = {
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
    return Fan(**(settings | changes))  # type: ignore[arg-type]  # settings are the dataclass's own fields


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
