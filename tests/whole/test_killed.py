"""Killed at any instant, the daemon loses no reading, doubles none, forgets no alarm and tells nobody twice.

The same loop with 200 kills is tests/bench/kills.py.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from tests.notify.conftest import Receiver
from tests.whole.conftest import DaemonProcess, NumberedSensors, differences, is_all_stored
from tests.wire.conftest import BrokerProcess, wait_until

KILLS = 16

TELL = """
[[tell]]
person = "Nora"
channel = "json://127.0.0.1:{port}/"
"""


def ammonia_alarms(daemon: DaemonProcess) -> list[tuple[str, ...]]:
    return daemon.asked("SELECT state FROM decision WHERE what = 'ammonia_birds' ORDER BY id")


def test_sixteen_kills_lose_nothing_double_nothing_and_ring_once(
    broker: BrokerProcess, phone: Receiver, make_daemon: Callable[..., DaemonProcess]
) -> None:
    """SIGKILL at random instants while three sensors speak: each reading is stored once, the alarm rang once."""
    dice = random.Random(20260402)
    daemon = make_daemon(broker.port, more=TELL.format(port=phone.port)).start()
    sensors = NumberedSensors(broker.port).start()
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
