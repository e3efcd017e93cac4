"""The daemon as a process of its own, a real broker, sensors that number what they say, a phone that counts what it got."""

from __future__ import annotations

import http.client
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

import monitor
from demo.broker import free_port
from tests.notify.conftest import Receiver
from tests.wire.conftest import BrokerProcess, Publisher, wait_until

ROOT = Path(monitor.__file__).parents[1]
TOKEN = "a token of the tests"

SETTINGS = """
[site]
name = "Mill Rise"
timezone = "Europe/Dublin"
units = "metric"

[broker]
port = {broker}
keepalive = "5 s"

[clock]
kept_by = "battery"

[store]
folder = "{folder}"
commit_every = "{commit_every}"

[api]
port = {api}
token_file = "{token_file}"

[limits.ammonia_birds]
on = "20 ppm"
off = "17 ppm"
on_delay = "0 s"

[[pen]]
name = "brooder"
length = "12 ft"
width = "10 ft"
height = "8 ft"

[[pen.sensor]]
name = "ammonia"
measures = "ammonia"
place = "bird level"
topic = "millrise/brooder/nh3"
every = "30 s"

[[pen.sensor]]
name = "lamp"
measures = "light"
place = "room"
topic = "millrise/brooder/light"
every = "30 s"

[[pen.sensor]]
name = "window"
measures = "light"
place = "room"
topic = "millrise/brooder/window"
record = "window"
unit = "lx"
every = "30 s"

[pen.fan]
command_topic = "millrise/brooder/fan/set"
report_topic = "millrise/brooder/fan/state"
free_air = "400 cfm"
shut_off = "1.6 inH2O"
shortest_on = "1 s"
shortest_off = "1 s"
report_within = "2 s"

[[pen.flock]]
name = "spring layers"
class = "layer"
hatched = {hatched}
count = 16

{more}
"""

CONNECTED, STARTED = "connected by MQTT", "watching Mill Rise from"
NH3, LAMP, WINDOW = "millrise/brooder/nh3", "millrise/brooder/light", "millrise/brooder/window"
FAN_SET, FAN_STATE = "millrise/brooder/fan/set", "millrise/brooder/fan/state"


class DaemonProcess:
    """`watch` in a process of its own, started, killed and stopped at will; its settings and store stay."""

    def __init__(self, folder: Path, broker_port: int, more: str = "", commit_every: str = "1 s", **changes: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.store = Path(changes.get("store", str(folder / "store")))
        self.api_port = int(changes.get("api", free_port()))
        self.settings_file = folder / "warmstraw.toml"
        self.log_file = folder / "log"
        token_file = folder / "token"
        token_file.write_text(TOKEN)
        token_file.chmod(0o600)
        self.settings_file.write_text(
            SETTINGS.format(
                broker=broker_port,
                folder=self.store,
                api=self.api_port,
                token_file=token_file,
                more=more,
                commit_every=commit_every,
                hatched=(datetime.now(UTC) - timedelta(days=60)).date().isoformat(),
            )
        )
        self.process: subprocess.Popen[bytes] | None = None
        self._seen = 0

    def start(self, until: str = CONNECTED) -> DaemonProcess:
        """Start it, and wait until its log says so, and that its start is over, the page among it; with "" do not wait."""
        self._seen = len(self.log())
        with self.log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", "watch", "--settings", str(self.settings_file)],
                stderr=log,
                stdout=log,
                cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
            )
        awaited = (until, STARTED) if until else ()
        assert wait_until(lambda: all(words in self.recent_log() for words in awaited) or not self.is_alive)
        assert all(words in self.recent_log() for words in awaited), f"it did not come up:\n{self.recent_log()}"
        return self

    def log(self) -> str:
        return self.log_file.read_text(errors="replace") if self.log_file.exists() else ""

    def recent_log(self) -> str:
        """Since the last start."""
        return self.log()[self._seen :]

    @property
    def is_alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def stop(self) -> tuple[int, float]:
        """In good order. Returns the exit code and the seconds it took."""
        assert self.process is not None
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(timeout=20)
        self.process = None
        return code, time.monotonic() - began

    def ask(self, path: str, method: str = "GET", body: object = None) -> tuple[int, Any]:
        """Status and answer of the API, asked with the token."""
        connection = http.client.HTTPConnection("127.0.0.1", self.api_port, timeout=10)
        headers = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/json"}
        connection.request(method, path, None if body is None else json.dumps(body), headers)
        answer = connection.getresponse()
        told = answer.read()
        connection.close()
        return answer.status, json.loads(told) if told else None

    def listens_to(self, publisher: Publisher) -> bool:
        """Until it has subscribed, the broker keeps nothing for it: a fan's report that is heard shows that it has."""

        def is_heard() -> bool:
            publisher.send(FAN_STATE, "off")
            return self.ask("/api/status")[1]["pens"][0]["fan"]["reported_running"] is not None

        return wait_until(is_heard)

    def run(self, *words: str, given: str | None = None) -> subprocess.CompletedProcess[str]:
        """Another command with the same settings."""
        return command(*words, "--settings", str(self.settings_file), given=given)

    def asked(self, question: str) -> list[tuple[Any, ...]]:
        """The store's answer to an SQL question, read beside the daemon."""
        with sqlite3.connect(f"file:{self.store / 'store.sqlite'}?mode=ro", uri=True) as reader:
            return reader.execute(question).fetchall()

    def stored(self, sensor: str) -> list[float]:
        """Every value stored of a sensor, dated or waiting for the clock."""
        asked = """SELECT value FROM dated JOIN series s ON s.id = series WHERE s.name = ?1
            UNION ALL SELECT value FROM waiting JOIN series s ON s.id = series WHERE s.name = ?1"""
        with sqlite3.connect(f"file:{self.store / 'store.sqlite'}?mode=ro", uri=True) as reader:
            return [value for (value,) in reader.execute(asked, (sensor,))]

    def memory_mb(self) -> float:
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return next(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS"))


def command(*words: str, given: str | None = None, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run the command as a keeper does."""
    return subprocess.run(
        [sys.executable, "-m", "monitor", *words],
        capture_output=True,
        text=True,
        input=given,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        timeout=60,
        check=False,
    )


@dataclass
class Told:
    """What was published, by sensor; a value may come more than once."""

    ammonia: list[float] = field(default_factory=list)
    lamp: list[float] = field(default_factory=list)
    window: list[float] = field(default_factory=list)
    at: dict[float, float] = field(default_factory=dict)  # by number: the monotonic second it was handed to the client


class NumberedSensors:
    """Publishes numbered readings from a thread: the lamp counts, the window counts with times of its own, and the
    ammonia says the same number over and over, which only its count can tell apart."""

    def __init__(self, port: int, every_s: float = 0.005, ppm: float = 26.0) -> None:
        self.told = Told()
        self._port = port
        self._every_s = every_s
        self._ppm = ppm
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="sensors", clean_session=False)
        self._client.max_inflight_messages_set(500)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._open: set[int] = set()  # message ids without the broker's receipt
        self._client.on_publish = lambda _client, _userdata, message, *_: self._open.discard(message)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._sent = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)

    def start(self, daemon: DaemonProcess) -> NumberedSensors:
        """Begin once this daemon listens for the first time: the broker has kept nothing for it before that."""
        first = Publisher(self._port)
        assert daemon.listens_to(first), daemon.recent_log()
        first.close()
        self._thread.start()
        return self

    def stop(self) -> Told:
        """Stop speaking, and wait until the broker has all of it."""
        self._stopping.set()
        self._thread.join()
        assert wait_until(lambda: not self._open, 30)
        self._client.disconnect()
        self._client.loop_stop()
        return self.told

    def _speak(self) -> None:
        number = 0
        while not self._stopping.wait(self._every_s):
            number += 1
            self.told.at[float(number)] = time.monotonic()
            if number % 3 == 0:
                self._send(NH3, str(self._ppm))
                self.told.ammonia.append(self._ppm)
            elif number % 3 == 1:
                self._send(LAMP, str(number))
                self.told.lamp.append(float(number))
            else:
                record = {"n": "window", "u": "lx", "v": number, "t": time.time()}
                self._send(WINDOW, json.dumps([record]))
                self.told.window.append(float(number))

    def _send(self, topic: str, payload: str) -> None:
        self._sent = self._sent % 65_535 + 1  # as paho counts its messages
        self._open.add(self._sent)
        assert self._client.publish(topic, payload, qos=1).mid == self._sent


def differences(daemon: DaemonProcess, told: Told) -> dict[str, dict[float, int]]:
    """What is missing (below 0) or too many (above 0) in the store, by sensor; empty when every one is there once."""
    found = {}
    for sensor in ("ammonia", "lamp", "window"):
        stored, spoken = Counter(daemon.stored(f"brooder/{sensor}")), Counter(getattr(told, sensor))
        wrong = {value: stored[value] - spoken[value] for value in stored.keys() | spoken.keys()}
        if any(wrong.values()):
            found[sensor] = {value: n for value, n in sorted(wrong.items()) if n}
    return found


def is_all_stored(daemon: DaemonProcess, told: Told) -> bool:
    return all(len(daemon.stored(f"brooder/{s}")) >= len(getattr(told, s)) for s in ("ammonia", "lamp", "window"))


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerProcess]:
    made = BrokerProcess(tmp_path / "broker").start()
    yield made
    made.kill()


@pytest.fixture
def phone() -> Iterator[Receiver]:
    """Who is told."""
    made = Receiver()
    yield made
    made.release.set()
    made.server.shutdown()
    made.server.server_close()


@pytest.fixture
def make_daemon(tmp_path: Path) -> Iterator[Callable[..., DaemonProcess]]:
    """Prepares daemons, each with a folder of its own, and ends them after the test."""
    made: list[DaemonProcess] = []

    def make(broker_port: int, **options: Any) -> DaemonProcess:
        made.append(DaemonProcess(tmp_path / f"daemon{len(made)}", broker_port, **options))
        return made[-1]

    yield make
    for daemon in made:
        daemon.kill()
