"""The whole daemon in this process, no broker near: what goes on beside the judging does, and stops with it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from demo.broker import free_port
from monitor.daemon.watch import Daemon
from monitor.engine.events import Keep
from monitor.settings.read import read
from monitor.store.backup import verify
from monitor.store.keep import Store
from monitor.store.nightly import nightly
from tests.daemon.conftest import HandClocks, until
from tests.notify.conftest import Receiver

BARN = """
[site]
name = "Mill Rise"
timezone = "Europe/Dublin"
[broker]
port = {broker}
[clock]
kept_by = "battery"
[store]
folder = "{folder}"
[api]
port = 0
[[pen]]
name = "brooder"
length = "12 ft"
width = "10 ft"
height = "8 ft"
[[pen.sensor]]
name = "chick height"
measures = "temperature"
place = "bird level"
topic = "millrise/brooder/probe1"
unit = "degC"
every = "30 s"
{more}
"""


class RunningClocks(HandClocks):
    """A wall clock that begins where the test says and then goes on by itself."""

    def __init__(self, local: str) -> None:
        super().__init__(datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/Dublin")).timestamp())
        self._began = time.monotonic()
        self._first_wall_s, self._first_boottime = self.wall_s, self.boottime

    def boottime_s(self) -> float:
        passed = time.monotonic() - self._began
        self.wall_s, self.boottime = self._first_wall_s + passed, self._first_boottime + passed
        return self.boottime

    def glance(self):  # type: ignore[no-untyped-def] # the base class's
        self.boottime_s()
        return super().glance()


Start = Callable[..., Daemon]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    made: list[Daemon] = []

    def begin(local: str, more: str = "") -> Daemon:
        file = tmp_path / "barn.toml"
        file.write_text(BARN.format(broker=free_port(), folder=tmp_path / "store", more=more), encoding="utf-8")
        daemon = Daemon(read(str(file), {}), RunningClocks(local))
        made.append(daemon)
        daemon.start()
        return daemon

    yield begin
    for daemon in made:
        daemon.stop()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    it = Receiver()
    yield it
    it.close()


def tell(receiver: Receiver) -> str:
    return f'[[tell]]\nperson = "Nora"\nchannel = "{receiver.address}"\nreports = true\npriorities = ["urgent"]\n'


def test_a_start_at_seven_still_makes_the_backup_and_tells_of_the_night(tmp_path: Path, start: Start, receiver: Receiver) -> None:
    """The power came back at seven: the copy is made and sound, the morning line arrives, once."""
    daemon = start("2026-07-01T07:00:00", tell(receiver))
    backup = tmp_path / "store" / "backups" / "2026-07-01.sqlite"
    assert until(backup.exists)
    assert until(receiver.titles)
    assert receiver.titles() == ["Mill Rise: brooder unwatched 11 h"]
    assert verify(backup)["series"] == 0
    healthy, parts = daemon.yard.healthy()
    assert (healthy, parts["chores"]) == (False, "well")  # no broker, no reading; the chores are no part of that
    assert daemon.yard.figures()["chores_failing"] == 0.0
    written = backup.stat().st_mtime_ns
    daemon.stop()
    start("2026-07-01T07:05:00", tell(receiver))
    assert not until(lambda: len(receiver.taken) > 1, 1.5)
    assert backup.stat().st_mtime_ns == written


def test_the_daemons_night_brings_the_oldest_file_up_to_date(tmp_path: Path, start: Start) -> None:
    """With as many nights as are kept, the running daemon writes what has changed into the oldest, and it is sound."""
    folder = tmp_path / "store"
    with Store.open(folder) as store:
        store.add_readings(
            [Keep("brooder/chick height", n / 100, 1.0, 1_782_700_000_000 + n * 30_000, False) for n in range(5_000)]
        )
        for night in ("2026-06-26", "2026-06-28", "2026-06-30"):
            nightly(folder, f"{night}.sqlite")
    oldest = (folder / "backups" / "2026-06-26.sqlite").stat().st_ino
    start("2026-07-01T07:00:00")
    made = folder / "backups" / "2026-07-01.sqlite"
    assert until(made.exists)
    assert made.stat().st_ino == oldest
    assert verify(made)["inbox"] + verify(made)["reading"] >= 5_000
    assert sorted(file.name for file in made.parent.iterdir()) == [f"2026-{day}.sqlite" for day in ("06-28", "06-30", "07-01")]


def test_a_backup_that_cannot_be_made_is_said_in_the_morning_line(tmp_path: Path, start: Start, receiver: Receiver) -> None:
    """Something else stands where the backups belong: the keeper hears of it with the first coffee."""
    (tmp_path / "store").mkdir()
    (tmp_path / "store" / "backups").write_text("no folder")
    daemon = start("2026-07-01T07:00:00", tell(receiver))
    assert until(receiver.titles)
    assert "No backup was made: The backup to" in receiver.taken[0]["message"]
    assert "nightly backup failed" in daemon.yard.healthy()[1]["chores"]


def test_an_unhealthy_daemon_does_not_ping(start: Start, receiver: Receiver) -> None:
    """No broker, no readings: the watcher elsewhere hears nothing, which is its alarm."""
    more = f'[ping]\naddress = "http://127.0.0.1:{receiver.port}/ping"\nevery = "30 s"\n'
    daemon = start("2026-07-01T15:00:00", more)
    assert daemon.errands.pinging is not None
    assert until(lambda: daemon.errands.pinging is not None and daemon.errands.pinging.last is not None)
    assert receiver.asked == 0
    assert daemon.yard.figures()["ping_answered"] == 0.0


def test_a_lost_mirror_is_a_link_that_is_down(tmp_path: Path, start: Start) -> None:
    """It becomes an alarm of low priority after its own delay; the readings wait in the store."""
    with Store.open(tmp_path / "store") as store:
        store.add_readings([Keep("brooder/chick height", 31.0, 1.0, 1_782_900_000_000, False)])
    daemon = start("2026-07-01T15:00:00", f'[mirror]\naddress = "http://127.0.0.1:{free_port()}"\n')
    assert until(lambda: daemon.core.state.links.get("mirror") is False)
    assert "kept here and sent later" in daemon.core.state.link_detail["mirror"]
