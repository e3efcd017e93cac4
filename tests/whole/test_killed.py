"""Killed at any instant, the daemon loses no reading, doubles none, forgets no alarm and tells nobody twice.

The same loop with 200 kills is tests/bench/kills.py.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from pathlib import Path

from tests.notify.conftest import Receiver
from tests.whole.conftest import LAMP, DaemonProcess, NumberedSensors, differences, is_all_stored
from tests.wire.conftest import BrokerProcess, Publisher, wait_until

KILLS = 15
BROKER_KILLS = 3  # the daemon's pauses before it dials again double
AROUND_S = 1.0

TELL = """
[[tell]]
person = "Nora"
channel = "json://127.0.0.1:{port}/"
"""


def ammonia_alarms(daemon: DaemonProcess) -> list[tuple[str, ...]]:
    return daemon.asked("SELECT state FROM decision WHERE what = 'ammonia_birds' ORDER BY id")


def test_fifteen_kills_lose_nothing_double_nothing_and_ring_once(
    broker: BrokerProcess, phone: Receiver, make_daemon: Callable[..., DaemonProcess]
) -> None:
    """SIGKILL at random instants while three sensors speak: each reading is stored once, the alarm rang once."""
    dice = random.Random(20260402)
    daemon = make_daemon(broker.port, more=TELL.format(port=phone.port)).start()
    sensors = NumberedSensors(broker.port).start(daemon)
    assert wait_until(lambda: len(phone.taken) == 1), daemon.recent_log()
    assert wait_until(lambda: daemon.asked("SELECT count(*) FROM outbox WHERE status = 'sent'") == [(1,)])
    for _ in range(KILLS):
        daemon.kill()
        daemon.start()
        time.sleep(dice.uniform(0.0, 0.8))
    told = sensors.stop()
    assert wait_until(lambda: is_all_stored(daemon, told), 30), differences(daemon, told)
    assert daemon.stop()[0] == 0
    assert differences(daemon, told) == {}
    assert ammonia_alarms(daemon) == [("unacknowledged",)]
    assert len(phone.taken) == 1
    assert daemon.asked("SELECT count(*) FROM outbox WHERE alarm LIKE '%ammonia%'") == [(1,)]


def test_a_killed_broker_costs_at_most_what_was_under_way_at_its_end(
    tmp_path: Path, make_daemon: Callable[..., DaemonProcess]
) -> None:
    """What a broker had acknowledged and not yet passed on dies with it, and what it had not acknowledged its sender says
    again: both only within a second of the kill. A reading with a time of its own is never stored twice even so."""
    broker = BrokerProcess(tmp_path / "broker", persistence=True).start()
    try:
        daemon = make_daemon(broker.port).start()
        sensors = NumberedSensors(broker.port).start(daemon)
        kills = []
        for n in range(BROKER_KILLS):
            time.sleep(0.4)
            if n % 2:
                broker.save()
            kills.append(time.monotonic())
            broker.kill()
            broker.start()
            assert wait_until(lambda n=n: daemon.recent_log().count("connected by MQTT") >= n + 2), daemon.recent_log()
        time.sleep(0.5)
        told = sensors.stop()
        wait_until(lambda: is_all_stored(daemon, told), 3)
        assert daemon.stop()[0] == 0
    finally:
        broker.kill()
    wrong = differences(daemon, told)
    for sensor in ("lamp", "window"):
        for number in wrong.get(sensor, {}):
            assert any(-AROUND_S < kill - told.at[number] < AROUND_S for kill in kills), (sensor, number, wrong[sensor])
    assert all(n < 0 for n in wrong.get("window", {}).values())


def test_what_a_broker_saved_survives_its_kill_while_the_daemon_is_away(
    tmp_path: Path, make_daemon: Callable[..., DaemonProcess]
) -> None:
    """The daemon is down, readings queue, the broker saves and is killed: all that was saved comes, once; what came after
    the save is gone, and nobody can know of it."""
    broker = BrokerProcess(tmp_path / "broker", persistence=True).start()
    try:
        daemon = make_daemon(broker.port).start()
        publisher = Publisher(broker.port)

        def is_heard() -> bool:
            publisher.send(LAMP, "0")
            return bool(daemon.stored("brooder/lamp"))

        assert wait_until(is_heard)
        daemon.kill()
        publisher.send(LAMP, *[str(n) for n in range(1, 301)])
        broker.save()
        publisher.send(LAMP, *[str(n) for n in range(301, 311)])
        broker.kill()
        publisher.close()
        broker.start()
        daemon.start()
        assert wait_until(lambda: 300.0 in daemon.stored("brooder/lamp"))
        assert daemon.stop()[0] == 0
    finally:
        broker.kill()
    stored = sorted(value for value in daemon.stored("brooder/lamp") if value)
    assert stored == [float(n) for n in range(1, 301)]
