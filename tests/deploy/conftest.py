"""Real brokers that run on the settings of deploy/, changed in nothing but ports and folders."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from demo.broker import free_port

DEPLOY = Path(__file__).parents[2] / "deploy"
MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
DEADLINE_S = 20.0


def wait_until(condition: Callable[[], object], deadline_s: float = DEADLINE_S) -> bool:
    """Whether this came true before the deadline; looked at every 10 ms."""
    end = time.monotonic() + deadline_s
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.01)
    return bool(condition())


@dataclass
class Barn:
    """One mosquitto with accounts made by add-device.sh, its main file as Debian's: persistence, log, include_dir."""

    folder: Path
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def accounts(self) -> Path:
        return self.folder / "accounts"

    @property
    def persistence(self) -> Path:
        return self.folder / "kept" / "mosquitto.db"

    def device(self, *words: str) -> str:
        """Run add-device.sh; returns what it printed, raises on refusal."""
        script = [
            "sh",
            str(DEPLOY / "add-device.sh"),
            "--folder",
            str(self.accounts),
            "--broker",
            "barn.example:1883",
            "--no-reload",
        ]
        done = subprocess.run([*script, *words], capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise ValueError(done.stderr)
        if self.process is not None:
            self.process.send_signal(signal.SIGHUP)  # what `systemctl reload mosquitto` does
        return done.stdout

    def password(self, *words: str) -> str:
        """Make an account and return its password."""
        told = self.device(*words)
        if words[0] == "daemon":
            return told.strip()
        return next(line.split()[1] for line in told.splitlines() if line.split()[:1] in (["password"], ["remote_password"]))

    def put(self, name: str, **words: str) -> None:
        """One of deploy/mosquitto's files into conf.d, with this barn's ports, folders and `words` in place."""
        text = (DEPLOY / "mosquitto" / name).read_text()
        replaced = {
            "listener 1883": f"listener {self.port}",
            "listener 8883": f"listener {self.tls_port} 127.0.0.1",
            "/etc/mosquitto/warmstraw/passwords": str(self.accounts / "passwords"),
            "/etc/mosquitto/warmstraw/access": str(self.accounts / "access"),
            "/etc/mosquitto/warmstraw/": f"{self.folder}/",
            **words,
        }
        for old, new in replaced.items():
            text = text.replace(old, new)
        (self.folder / "conf.d").mkdir(exist_ok=True)
        (self.folder / "conf.d" / name).write_text(text)

    def start(self) -> Barn:
        assert MOSQUITTO is not None, "mosquitto is not installed: apt-get install mosquitto"
        self.persistence.parent.mkdir(exist_ok=True)
        main = [
            *(["user root"] if os.geteuid() == 0 else []),  # else it drops to a user who may not read here
            "persistence true",
            f"persistence_location {self.persistence.parent}/",
            f"log_dest file {self.folder}/mosquitto.log",
            f"include_dir {self.folder}/conf.d",
        ]
        (self.folder / "mosquitto.conf").write_text("\n".join(main) + "\n")
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        process = self.process
        wait_until(lambda: self.answers() or process.poll() is not None)
        assert self.answers(), f"mosquitto did not come up:\n{self.log()}"
        return self

    def answers(self) -> bool:
        if self.process is None or self.process.poll() is not None:
            return False
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
        except OSError:
            return False
        return True

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(DEADLINE_S)
            self.process = None

    def log(self) -> str:
        file = self.folder / "mosquitto.log"
        return file.read_text(errors="replace") if file.exists() else ""


class Device:
    """An MQTT 5 client, which the broker tells when it refuses. Records what it hears."""

    def __init__(self, port: int, name: str, password: str | None, client_id: str = "", ca_file: str | None = None) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self.reason: str | None = None
        self.granted: list[bool] = []
        self._receipts: dict[int, str] = {}
        self._answered = threading.Event()
        client = Client(CallbackAPIVersion.VERSION2, client_id=client_id or f"{name}-{time.monotonic_ns()}", protocol=MQTTv5)
        client.username_pw_set(name, password)
        if ca_file is not None:
            client.tls_set(ca_certs=ca_file)

        def connected(_c: object, _u: object, _f: object, reason: object, _p: object) -> None:
            self.reason = str(reason)
            self._answered.set()

        def subscribed(_c: object, _u: object, _m: object, reasons: Any, _p: object) -> None:
            self.granted = [str(reason).startswith("Granted") for reason in reasons]

        def published(_c: object, _u: object, mid: int, reason: object, _p: object) -> None:
            self._receipts[mid] = str(reason)

        client.on_connect = connected
        client.on_subscribe = subscribed
        client.on_publish = published
        client.on_message = lambda _c, _u, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self.client = client
        client.connect("localhost" if ca_file else "127.0.0.1", port, keepalive=5)
        client.loop_start()
        assert self._answered.wait(DEADLINE_S)

    @property
    def is_in(self) -> bool:
        return self.reason == "Success"

    def may_publish(self, topic: str, payload: str = "1", retain: bool = False) -> bool:
        """Publish at QoS 1; whether the broker took it."""
        sent = self.client.publish(topic, payload, 1, retain)
        assert wait_until(lambda: sent.mid in self._receipts), f"no receipt for {topic}"
        return "Not authorized" not in self._receipts[sent.mid]

    def listen(self, *topics: str) -> list[bool]:
        """Subscribe; what was granted. A filter may be granted though nothing that matches may be read."""
        self.granted = []
        self.client.subscribe([(topic, 1) for topic in topics])
        assert wait_until(lambda: len(self.granted) == len(topics))
        return self.granted

    def last(self, topic: str) -> bytes | None:
        return next((payload for heard, payload, _ in reversed(self.heard) if heard == topic), None)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def make_barn(tmp_path: Path) -> Iterator[Callable[..., Barn]]:
    """Barns with the daemon's account, not started; ended after the test."""
    barns: list[Barn] = []

    def make(name: str = "barn") -> Barn:
        folder = tmp_path / name
        folder.mkdir()
        barns.append(Barn(folder))
        return barns[-1]

    yield make
    for barn in barns:
        barn.end(signal.SIGKILL)


@pytest.fixture
def connect() -> Iterator[Callable[..., Device]]:
    """Connects devices; closed after the test."""
    devices: list[Device] = []

    def make(port: int, name: str, password: str | None, **options: str) -> Device:
        devices.append(Device(port, name, password, **options))
        return devices[-1]

    yield make
    for device in devices:
        device.close()


@pytest.fixture(name="wait_until")
def _wait_until() -> Callable[..., bool]:
    return wait_until


@pytest.fixture
def deploy() -> Path:
    """The folder under test."""
    return DEPLOY
