"""Each fault as one row: what was tried for real, what was lost, how long until all was well, what the keeper saw.

Every function takes a folder, does it to a real daemon process with a real broker and a real store, and returns its row.
"""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.notify.conftest import Receiver
from tests.whole.conftest import LAMP, TOKEN, DaemonProcess, NumberedSensors, differences, is_all_stored
from tests.wire.conftest import BrokerProcess, Publisher, wait_until

WORKS_ON = "none needed: it works on"
TELL = '[[tell]]\nperson = "Sam"\nchannel = "{address}"\nescalate_after = "12 h"\nrepeat_every = "12 h"\n\n'
STORE_TOLD_SOON = '[limits.store_failing]\non_delay = "1 s"\noff_delay = "1 s"\n'


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    fault: str
    published: int
    lost: int  # readings the broker had taken and the store has not
    doubled: int
    alarms_lost: int | None  # raised and not in the store; None where none was due
    notices_lost: int | None  # due and not on the phone
    recovered_s: float  # from the end of the fault until every reading was stored
    keeper_saw: str
    outside_sign: str  # what tells somebody who is not in the barn, while it lasts
    is_alive: bool  # the daemon, at the end
    notices: str = ""  # more to tell of them

    @property
    def is_sound(self) -> bool:
        return not (self.lost or self.alarms_lost or self.notices_lost) and self.is_alive and bool(self.outside_sign)


class Watched(DaemonProcess):
    """A daemon with somebody to tell."""

    phone: Receiver


def ask(daemon: DaemonProcess, path: str) -> Any:
    connection = http.client.HTTPConnection("127.0.0.1", daemon.api_port, timeout=10)
    try:
        connection.request("GET", path, None, {"Authorization": f"Bearer {TOKEN}"})
        return json.loads(connection.getresponse().read())
    finally:
        connection.close()


def open_alarms(daemon: DaemonProcess) -> set[str]:
    with suppress(OSError, http.client.HTTPException):
        return {alarm["name"] for alarm in ask(daemon, "/api/alarms")["alarms"]}
    return set()


def is_unwell(daemon: DaemonProcess) -> bool:
    """What an outside watcher sees on the open health address, by which the dead-man ping goes too."""
    connection = http.client.HTTPConnection("127.0.0.1", daemon.api_port, timeout=10)
    try:
        connection.request("GET", "/healthz")
        return connection.getresponse().status == 503
    finally:
        connection.close()


@contextmanager
def barn(folder: Path, more: str = "", broker_keeps: bool = True, **changes: str) -> Iterator[tuple[BrokerProcess, Watched]]:
    broker = BrokerProcess(folder / "broker", persistence=broker_keeps).start()
    phone = Receiver()
    daemon = Watched(folder / "daemon", broker.port, TELL.format(address=phone.address) + more, **changes)
    daemon.phone = phone
    try:
        daemon.start()
        assert wait_until(lambda: "the page is at" in daemon.recent_log()), daemon.recent_log()
        yield broker, daemon
    finally:
        daemon.kill()
        broker.kill()
        phone.close()


def speaking(broker: BrokerProcess, daemon: DaemonProcess, every_s: float = 0.02) -> NumberedSensors:
    """Sensors whose air is good until `turn_bad`."""
    sensors = NumberedSensors(broker.port, every_s, ppm=10.0).start(daemon)
    wait_until(lambda: daemon.stored("brooder/lamp"))
    return sensors


def turn_bad(sensors: NumberedSensors) -> None:
    """In the midst of a fault the ammonia rises: an alarm falls due, and somebody must be told."""
    sensors._ppm = 26.0


def rung(daemon: Watched) -> int:
    return sum("ammonia" in title.lower() for title in daemon.phone.titles())


def counted(daemon: Watched, told: Any) -> tuple[int, int, int, int, int]:
    """Published, lost, doubled; the ammonia's alarm and its notice, lost or not."""
    wrong = [n for one in differences(daemon, told).values() for n in one.values()]
    published = len(told.ammonia) + len(told.lamp) + len(told.window)
    wait_until(lambda: rung(daemon), 20)
    raised = daemon.asked("SELECT count(*) FROM decision WHERE what = 'ammonia_birds' AND state = 'unacknowledged'")
    counts = (published, -sum(n for n in wrong if n < 0), sum(n for n in wrong if n > 0))
    return *counts, int(raised == [(0,)]), int(rung(daemon) == 0)


def until_stored(daemon: DaemonProcess, sensors: NumberedSensors, ended: float, within_s: float = 60.0) -> tuple[Any, float]:
    told = sensors.stop()
    wait_until(lambda: is_all_stored(daemon, told), within_s)
    return told, time.monotonic() - ended


def broker_hung(folder: Path, for_s: float = 15.0) -> Row:
    """Stopped in its tracks (SIGSTOP) with its sockets open; it says nothing, and closes nothing."""
    with barn(folder) as (broker, daemon):
        sensors = speaking(broker, daemon)
        broker.freeze()
        turn_bad(sensors)
        frozen = time.monotonic()
        noticed = wait_until(lambda: is_unwell(daemon), for_s)
        saw = f"broker lost, after {time.monotonic() - frozen:.0f} s" if noticed else ""
        time.sleep(max(0.0, frozen + for_s - time.monotonic()))
        broker.thaw()
        told, recovered_s = until_stored(daemon, sensors, time.monotonic())
        row = counted(daemon, told)
        sign = "health address unwell, ping stops" if saw else ""
        return Row(f"broker hung for {for_s:.0f} s", *row, recovered_s, saw, sign, daemon.is_alive)


def client_id_taken(folder: Path, times: int = 6) -> Row:
    """A second program connects under our client id again and again. What it acknowledges, it has taken from us."""
    with barn(folder) as (broker, daemon):
        sensors = speaking(broker, daemon)
        taken: list[int] = []
        unwell = False
        turn_bad(sensors)
        for _ in range(times):
            thief = Client(CallbackAPIVersion.VERSION2, client_id="warmstraw", clean_session=False, manual_ack=True)
            thief.on_message = lambda _client, _userdata, message: taken.append(message.mid)
            thief.connect("127.0.0.1", broker.port)
            thief.loop_start()
            unwell |= wait_until(lambda: is_unwell(daemon), 0.5)
            thief.loop_stop()
            held = thief.socket()
            if held is not None:
                held.close()
            time.sleep(1.0)
        saw = "log: does another program use the same client_id?" if "same client_id" in daemon.log() else ""
        told, recovered_s = until_stored(daemon, sensors, time.monotonic(), 90.0)
        row = counted(daemon, told)
        sign = "health address unwell, ping stops" if unwell else ""
        return Row(f"client id taken {times} times", *row, recovered_s, saw, sign, daemon.is_alive)


def flood(folder: Path, seconds: float = 3.0) -> Row:
    """Ten times and more what a barn says: three sensors at a thousand messages a second together."""
    with barn(folder) as (broker, daemon):
        sensors = speaking(broker, daemon, 0.001)
        turn_bad(sensors)
        time.sleep(seconds)
        told, recovered_s = until_stored(daemon, sensors, time.monotonic())
        row = counted(daemon, told)
        saw = "page answers throughout" if ask(daemon, "/api/status") else ""
        return Row(
            f"flood, {row[0] / seconds:.0f} readings a second",
            *row,
            recovered_s,
            saw,
            WORKS_ON,
            daemon.is_alive,
        )


MANY_SENSOR = """
[[pen.sensor]]
name = "light {n}"
measures = "light"
place = "room"
topic = "millrise/hall/light{n}"
every = "30 s"
"""


def thousand_sensors(folder: Path, count: int = 1000) -> Row:
    """Each speaks until it is heard, for a broker keeps nothing before the first subscription; then all speak once more."""
    hall = '\n[[pen]]\nname = "hall"\nlength = "40 ft"\nwidth = "40 ft"\nheight = "8 ft"\n'
    with barn(folder, hall + "".join(MANY_SENSOR.format(n=n) for n in range(count))) as (broker, daemon):
        publisher = Publisher(broker.port)
        began = time.monotonic()
        heard = "SELECT count(DISTINCT s.name) FROM dated JOIN series s ON s.id = series WHERE s.name LIKE 'hall/light %'"
        again = "SELECT count(*) FROM dated JOIN series s ON s.id = series WHERE s.name LIKE 'hall/light %' AND value = 5000"

        def all_heard() -> bool:
            for n in range(count):
                publisher.send(f"millrise/hall/light{n}", str(100 + n))
            return wait_until(lambda: daemon.asked(heard) == [(count,)], 2)

        wait_until(all_heard, 60)
        took_s = time.monotonic() - began
        for n in range(count):
            publisher.send(f"millrise/hall/light{n}", "5000")
        wait_until(lambda: daemon.asked(again) == [(count,)], 30)
        ((stored,),) = daemon.asked(again)
        publisher.close()
        saw = f"all on the page; {daemon.memory_mb():.0f} MB" if len(ask(daemon, "/api/status")["pens"]) == 2 else ""
        lost, doubled = max(0, count - stored), max(0, stored - count)
        return Row(f"{count} sensors", count, lost, doubled, None, None, took_s, saw, WORKS_ON, daemon.is_alive)


def receiver_hung(folder: Path, for_s: float = 2.0) -> Row:
    """The first phone's service takes the message and never answers: the second channel rings, nothing else waits."""
    hung, well = Receiver(), Receiver()
    hung.mode = "hang"
    tell = "".join(
        f'[[tell]]\nperson = "Nora"\nchannel = "json://127.0.0.1:{one.port}/?cto=0.5&rto=0.5"\n\n' for one in (hung, well)
    )
    try:
        with barn(folder, tell) as (broker, daemon):
            began = time.monotonic()
            sensors = speaking(broker, daemon)
            turn_bad(sensors)
            rang = wait_until(lambda: well.taken, 90)
            rang_s = time.monotonic() - began
            time.sleep(for_s)
            held = daemon.memory_mb()
            hung.mode = "take"
            hung.release.set()
            told, recovered_s = until_stored(daemon, sensors, time.monotonic())
            row = counted(daemon, told)
            saw = f"rung by the second channel after {rang_s:.0f} s" if rang else ""
            notices = f"told by the second channel, {hung.asked} tries by the first; {held:.0f} MB"
            return Row("phone's service hangs", *row, recovered_s, saw, saw, daemon.is_alive, notices)
    finally:
        hung.close()
        well.close()


def killed_while_speaking(folder: Path, kills: int = 4) -> Row:
    """SIGKILL again and again; the last will tells the yard, and the ping stops. Many more: tests/bench/kills.py."""
    with barn(folder) as (broker, daemon):
        watcher = Publisher(broker.port, "warmstraw/Mill Rise/alive")
        sensors = speaking(broker, daemon, 0.005)
        gone, slowest = 0, 0.0
        turn_bad(sensors)
        for _ in range(kills):
            time.sleep(0.4)
            daemon.kill()
            gone += wait_until(lambda: watcher.last("warmstraw/Mill Rise/alive") == b"gone", 10)
            killed = time.monotonic()
            daemon.start()
            slowest = max(slowest, time.monotonic() - killed)
        told, _ = until_stored(daemon, sensors, time.monotonic())
        watcher.close()
        row = counted(daemon, told)
        sign = 'alive says "gone"; ping stops' if gone == kills else ""
        return Row(f"killed {kills} times", *row, slowest, "alive gone", sign, daemon.is_alive)


def two_daemons(folder: Path) -> Row:
    """A second one on the same store refuses and names the first, which goes on."""
    with barn(folder) as (broker, daemon):
        publisher = Publisher(broker.port)
        assert daemon.process is not None
        refused = daemon.run("watch")
        publisher.send(LAMP, "1", "2", "3")
        wait_until(lambda: len(daemon.stored("brooder/lamp")) >= 3)
        publisher.close()
        stored = len(daemon.stored("brooder/lamp"))
        named = str(daemon.process.pid) in refused.stderr and refused.returncode == 3
        saw = "exit code 3, the first one's number" if named else ""
        return Row(
            "two daemons on one store", 3, max(0, 3 - stored), max(0, stored - 3), None, None, 0.0, saw, saw, daemon.is_alive
        )


def broker_killed(folder: Path, for_s: float = 3.0) -> Row:
    """SIGKILL, as by a power cut of its own; it comes back with its file, which holds the daemon's session."""
    with barn(folder) as (broker, daemon):
        sensors = speaking(broker, daemon)
        broker.save()  # as it does by itself every half hour
        broker.kill()
        turn_bad(sensors)
        noticed = wait_until(lambda: is_unwell(daemon), 10)
        time.sleep(for_s)
        broker.start()
        told, recovered_s = until_stored(daemon, sensors, time.monotonic())
        row = counted(daemon, told)
        saw = "page says: broker lost" if noticed else ""
        sign = "health address unwell, ping stops" if noticed else ""
        return Row("broker killed", *row, recovered_s, saw, sign, daemon.is_alive)


def descriptors(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def connections_come_and_go(folder: Path, rounds: int = 60) -> Row:
    """Pages opened and left, half sent requests, dropped event streams: no descriptor stays behind."""
    with barn(folder) as (_broker, daemon):
        assert daemon.process is not None
        ask(daemon, "/api/status")
        before = descriptors(daemon.process.pid)

        def come_and_go() -> None:
            for _ in range(rounds):
                with suppress(OSError, http.client.HTTPException):
                    stream = http.client.HTTPConnection("127.0.0.1", daemon.api_port, timeout=5)
                    stream.request("GET", "/api/stream", headers={"Authorization": f"Bearer {TOKEN}"})
                    stream.getresponse().readline()
                    stream.close()

        visitors = [threading.Thread(target=come_and_go) for _ in range(3)]
        for visitor in visitors:
            visitor.start()
        for visitor in visitors:
            visitor.join()
        ended = time.monotonic()
        pid = daemon.process.pid
        is_back = wait_until(lambda: descriptors(pid) <= before + 3, 40)
        saw = f"{before} files open before, {descriptors(pid)} after" if is_back else ""
        return Row(
            f"{3 * rounds} event streams dropped",
            0,
            0,
            0,
            None,
            None,
            time.monotonic() - ended,
            saw,
            "none needed" * is_back,
            daemon.is_alive,
        )
