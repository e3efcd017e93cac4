"""`watch` as a keeper runs it: the real daemon, a real broker, a relay and sensors on the other side of it."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from demo.broker import free_port
from tests.whole.conftest import FAN_SET, FAN_STATE, LAMP, NH3, TOKEN, DaemonProcess
from tests.wire.conftest import BrokerProcess, Publisher, wait_until

ALIVE = "warmstraw/Mill Rise/alive"
Make = Callable[..., DaemonProcess]


def reported(daemon: DaemonProcess) -> bool | None:
    """What the relay said last, as the daemon knows it."""
    found: bool | None = daemon.ask("/api/status")[1]["pens"][0]["fan"]["reported_running"]
    return found


def alarms(daemon: DaemonProcess) -> dict[str, str]:
    """State of each alarm, by name, as last committed."""
    return dict(daemon.asked("SELECT what, state FROM decision WHERE kind = 'alarm' ORDER BY id"))


@pytest.fixture
def far_end(broker: BrokerProcess) -> Iterator[Publisher]:
    made = Publisher(broker.port, FAN_SET, ALIVE, "warmstraw/#")
    yield made
    made.close()


def runs_for_dangerous_ammonia(far_end: Publisher) -> bool:
    """Ammonia that needs the fan whatever the cold, said again until the command is heard: a first jump is not
    believed, and what is said before the daemon has subscribed is not heard."""

    def is_on() -> bool:
        far_end.send(NH3, "60")
        return far_end.last(FAN_SET) == b"on"

    return wait_until(is_on)


def commands(far_end: Publisher) -> list[bytes]:
    return [payload for topic, payload, _ in far_end.heard if topic == FAN_SET]


def test_the_fan_is_commanded_reported_on_and_let_go(broker: BrokerProcess, far_end: Publisher, make_daemon: Make) -> None:
    """Readings in, the command on the command topic, re-sent until the relay reports it, and its reason told."""
    daemon = make_daemon(broker.port).start()
    assert runs_for_dangerous_ammonia(far_end)
    before = commands(far_end).count(b"on")
    assert wait_until(lambda: commands(far_end).count(b"on") >= before + 2), "no report: it is said again"
    far_end.send(FAN_STATE, "on")
    assert wait_until(lambda: reported(daemon) is True)
    told = json.loads(far_end.last("warmstraw/Mill Rise/brooder/fan") or b"{}")
    assert (told["state"], told["reason"]) == ("running", "ammonia dangerous")
    assert daemon.stop()[0] == 0


def test_alive_says_here_and_gone(broker: BrokerProcess, far_end: Publisher, make_daemon: Make) -> None:
    """ "here" while it watches; "gone" after a goodbye, and "gone" from the broker after a kill."""
    daemon = make_daemon(broker.port).start()
    assert wait_until(lambda: far_end.last(ALIVE) == b"here")
    assert daemon.stop()[0] == 0
    assert wait_until(lambda: far_end.last(ALIVE) == b"gone")
    daemon.start()
    assert wait_until(lambda: far_end.last(ALIVE) == b"here")
    daemon.kill()
    assert wait_until(lambda: far_end.last(ALIVE) == b"gone")


def test_the_first_command_after_a_broker_comes_back_is_the_standing_one(broker: BrokerProcess, make_daemon: Make) -> None:
    """The relay hears it within seconds of the broker's return, not at the next heartbeat."""
    daemon = make_daemon(broker.port).start()
    before = Publisher(broker.port, FAN_SET)
    assert runs_for_dangerous_ammonia(before)
    before.close()
    broker.kill()
    broker.start()
    after = Publisher(broker.port, FAN_SET)
    assert wait_until(lambda: commands(after) != [], 10)
    assert commands(after)[0] == b"on"
    after.close()
    assert daemon.stop()[0] == 0


def test_a_stop_is_clean_and_quick_even_with_an_open_event_stream(
    broker: BrokerProcess, far_end: Publisher, make_daemon: Make
) -> None:
    """Exit code 0 within three seconds; what was published before is stored, and the store is marked clean."""
    daemon = make_daemon(broker.port, commit_every="300 s").start()
    stream = http.client.HTTPConnection("127.0.0.1", daemon.api_port, timeout=10)
    stream.request("GET", "/api/stream", headers={"Authorization": f"Bearer {TOKEN}"})
    answer = stream.getresponse()
    assert answer.status == 200
    assert answer.readline()
    assert daemon.listens_to(far_end)
    far_end.send(LAMP, *[str(n) for n in range(50)])
    code, seconds = daemon.stop()
    assert code == 0
    assert seconds < 3.0
    stream.close()
    assert daemon.stored("brooder/lamp") == [float(n) for n in range(50)]
    assert daemon.asked("SELECT clean FROM saved") == [(1,)]
    assert "50 readings stored" in daemon.recent_log()


def test_the_console_beside_a_running_daemon(broker: BrokerProcess, make_daemon: Make, tmp_path: Path) -> None:
    """A second daemon is refused by the first one's process number; the journal goes through the daemon, and is judged
    there; a backup is whole; what needs the store alone is refused."""
    daemon = make_daemon(broker.port).start()
    assert daemon.process is not None
    refused = daemon.run("watch")
    assert refused.returncode == 3
    assert str(daemon.process.pid) in refused.stderr
    written = daemon.run("journal", "--add", "deaths", "--count", "2", "--flock", "spring layers")
    assert (written.returncode, written.stdout) == (0, "written by the running daemon\n")
    assert [entry["count"] for entry in json.loads(daemon.run("journal", "--json").stdout)] == [2]
    flocks = daemon.ask("/api/status")[1]["pens"][0]["flocks"]
    assert [flock["count"] for flock in flocks] == [14]
    copy = tmp_path / "copy.sqlite"
    assert daemon.run("backup", str(copy)).stdout.endswith("checked and sound\n")
    assert daemon.run("restore", str(copy)).returncode == 3
    (daemon.folder / "token").unlink()
    untold = daemon.run("journal", "--add", "note")
    assert untold.returncode != 0
    assert "token" in untold.stderr
    assert daemon.is_alive


def test_a_taken_port_leaves_the_barn_watched(broker: BrokerProcess, far_end: Publisher, make_daemon: Make) -> None:
    """Without a page, but with the fan."""
    with socket.create_server(("127.0.0.1", free_port())) as taken:
        daemon = make_daemon(broker.port, api=str(taken.getsockname()[1])).start()
        assert "watched without a page" in daemon.recent_log()
        assert runs_for_dangerous_ammonia(far_end)
        assert daemon.stop()[0] == 0


def test_a_damaged_store_is_set_aside_restored_and_told(broker: BrokerProcess, far_end: Publisher, make_daemon: Make) -> None:
    """What the last backup held is there again, the damaged file is kept, and the log says so."""
    daemon = make_daemon(broker.port).start()
    assert daemon.listens_to(far_end)
    far_end.send(LAMP, *[str(n) for n in range(20)])
    assert wait_until(lambda: len(daemon.stored("brooder/lamp")) == 20)
    backups = daemon.store / "backups"
    backups.mkdir(exist_ok=True)
    assert daemon.run("backup", str(backups / "night.sqlite")).returncode == 0
    daemon.kill()
    file = daemon.store / "store.sqlite"
    file.write_bytes(b"no database any more" * 500)
    for beside in ("-wal", "-shm"):
        file.with_name(file.name + beside).unlink(missing_ok=True)
    daemon.start()
    assert "the store was damaged" in daemon.recent_log()
    assert "night.sqlite" in daemon.recent_log()
    assert daemon.stored("brooder/lamp") == [float(n) for n in range(20)]
    assert [path for path in daemon.store.iterdir() if "damaged" in path.name]
    far_end.send(LAMP, "20")
    assert wait_until(lambda: 20.0 in daemon.stored("brooder/lamp"))
    assert daemon.stop()[0] == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of a megabyte; where this user may not mount one, the test says so and stops there."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(place)], capture_output=True, check=False)
    if made.returncode:
        pytest.skip("mounting a small file system takes root; the writer's own full disk is tested in tests/daemon")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(file: Path) -> None:
    with file.open("wb", buffering=0) as stream, suppress(OSError):
        while stream.write(b"x" * 4096):
            pass


def test_a_full_disk_is_an_alarm_the_fan_goes_on_and_it_recovers(
    broker: BrokerProcess, far_end: Publisher, make_daemon: Make, small_disk: Path
) -> None:
    """A real full file system: the keeper reads store_failing on the API, the fan still switches, and later all is kept."""
    more = '[limits.store_failing]\non_delay = "1 s"\noff_delay = "1 s"\n'
    daemon = make_daemon(broker.port, store=str(small_disk / "store"), more=more).start()
    assert daemon.listens_to(far_end)
    far_end.send(LAMP, "1")
    assert wait_until(lambda: daemon.stored("brooder/lamp") == [1.0])
    ballast = small_disk / "ballast"
    fill(ballast)
    last = 1

    def is_failing() -> bool:
        nonlocal last
        last += 1
        far_end.send(LAMP, str(last))
        open_alarms = daemon.ask("/api/alarms")[1]
        return any(alarm["name"] == "store_failing" for alarm in open_alarms["alarms"])

    assert wait_until(is_failing, 30), daemon.recent_log()
    assert runs_for_dangerous_ammonia(far_end)
    ballast.unlink()
    assert wait_until(lambda: len(daemon.stored("brooder/lamp")) == last, 30)
    assert wait_until(lambda: alarms(daemon).get("store_failing") == "returned", 30)
    assert daemon.stored("brooder/lamp") == [float(n) for n in range(1, last + 1)]
    assert daemon.stop()[0] == 0
