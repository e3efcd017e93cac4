"""The siren over a real broker: heard by a client that is not ours, and honest when the broker is away."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from demo.broker import free_port
from monitor.engine.connections import Broker, Notice, Secret, Tell
from monitor.engine.specification import Priority
from monitor.notify.channels import open_channels
from monitor.notify.worker import Sayings, Worker
from monitor.store.keep import Store
from monitor.wire.session import Session

TELL = (
    Tell("Ada", Secret("json://127.0.0.1:9/nobody-there"), tuple(Priority)),
    Tell("yard", Secret("mqtt:millrise/yard/siren"), (Priority.URGENT,)),
)


def until(condition: Any, seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "not so in time"
        time.sleep(0.01)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[tuple[int, subprocess.Popen[bytes]]]:
    port = free_port()
    command = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    (tmp_path / "broker.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    quiet = subprocess.DEVNULL
    process = subprocess.Popen([command, "-c", str(tmp_path / "broker.conf")], stdout=quiet, stderr=quiet)

    def answers() -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    until(answers)
    yield port, process
    process.kill()
    process.wait(5)


def test_with_no_internet_the_siren_still_sounds_and_is_silenced(broker: Any, tmp_path: Path) -> None:
    """Nobody is at the push address; the alarm falls to the siren, which hears it, and later that it is over."""
    port, process = broker
    listen = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-t", "millrise/yard/siren", "-q", "1", "-C", "2", "-W", "20"]
    listener = subprocess.Popen(listen, stdout=subprocess.PIPE, text=True)
    links: list[bool] = []
    session = Session(
        Broker(port=port, client_id="siren-test"), [], "warmstraw/test/alive", lambda _: None, lambda up, _: links.append(up)
    )
    session.start()
    until(lambda: links == [True])
    time.sleep(0.3)  # the listener has no way to say that it listens
    store = Store.open(tmp_path / "store")
    worker = Worker(
        store.outbox, open_channels(TELL, lambda topic, payload: session.publish(topic, payload, qos=1)), TELL, Sayings("", str),
        now=time.monotonic, matters=lambda one: True, on_link=lambda up, detail: None,
    )  # fmt: skip
    at = time.monotonic()
    # Due half a minute ago, so that what fails falls to the next channel without waiting for it here.
    store.outbox.add(
        [Notice("1/raised/Ada/0/1", 1, "b/birds_cold", "raised", "Ada", 0, Priority.URGENT, "Cold", "", at - 30.0, 1e12)]
    )
    worker.start()
    until(lambda: len(store.outbox.rows("sent")) == 1)
    store.outbox.add(
        [Notice("1/all clear/yard/1/1", 1, "b/birds_cold", "all clear", "yard", 1, Priority.HIGH, "Warm", "", at, 1e12)]
    )
    worker.wake()
    heard, _ = listener.communicate(timeout=20)
    said = [json.loads(line) for line in heard.splitlines()]
    sent = ["1/raised/Ada/0/1/by/1", "1/all clear/yard/1/1"]
    until(lambda: [row.notice.key for row in store.outbox.rows("sent")] == sent)
    assert [(one["kind"], one["title"]) for one in said] == [("raised", "Cold"), ("all clear", "Warm")]
    process.kill()
    until(lambda: links[-1] is False)
    outcome = open_channels(TELL, lambda topic, payload: session.publish(topic, payload, qos=1))[1].hand_over(
        Notice("2/raised/yard/1/1", 2, "b/birds_cold", "raised", "yard", 1, Priority.URGENT, "Cold", "", at, 1e12), "Cold", ""
    )
    assert (outcome.accepted, outcome.answer) == (False, "not connected to the broker")
    worker.stop()
    session.stop()
    store.close()
