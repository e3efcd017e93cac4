"""What comes in from a real broker while the store is not there yet: nothing is stored twice, nothing is left out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.daemon.watch import Daemon
from monitor.settings.read import read as read_settings
from tests.whole.conftest import LAMP, DaemonProcess
from tests.wire.conftest import BrokerProcess, Publisher, wait_until

Watch = Callable[..., Daemon]


class Site:
    """One site's settings, its store's folder, and daemons in this process, one after another."""

    def __init__(self, folder: Path, broker: BrokerProcess) -> None:
        self.prepared = DaemonProcess(folder, broker.port)
        self.folder = self.prepared.store
        self.away = folder / "not ready yet"
        self.skew_s = 0.0
        self.daemon: Daemon | None = None

    def watch(self) -> Daemon:
        settings = read_settings(str(self.prepared.settings_file))
        self.daemon = Daemon(settings, monotonic=lambda: time.monotonic() + self.skew_s)
        return self.daemon

    def stop(self) -> None:
        if self.daemon is not None:
            self.daemon.stop()
            self.daemon = None

    def take_the_disk_away(self) -> None:
        self.folder.rename(self.away)
        self.folder.write_text("here a disk will be mounted")

    def bring_the_disk(self) -> None:
        self.folder.unlink()
        self.away.rename(self.folder)
        self.skew_s += 60.0  # the writer looks again after half a minute

    @property
    def lamp(self) -> list[float]:
        return sorted(self.prepared.stored("brooder/lamp"))


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerProcess]:
    made = BrokerProcess(tmp_path / "broker").start()
    yield made
    made.kill()


@pytest.fixture
def site(tmp_path: Path, broker: BrokerProcess) -> Iterator[Site]:
    made = Site(tmp_path / "site", broker)
    yield made
    made.stop()


@pytest.fixture
def sensor(broker: BrokerProcess) -> Iterator[Publisher]:
    made = Publisher(broker.port)
    yield made
    made.close()


def leave_stored_and_not_acknowledged(site: Site, sensor: Publisher, count: int) -> None:
    """A run that ends between its commit and its acknowledgement: the broker will send all of it again."""
    first = site.watch()
    first.session.acknowledge = lambda _deliveries: 0  # type: ignore[method-assign]  # a link that is lost
    first.start()
    assert wait_until(lambda: first.session.subscribed)
    sensor.send(LAMP, *[str(n) for n in range(count)])
    assert wait_until(lambda: len(site.lamp) == count)
    site.stop()


def heard(daemon: Daemon) -> int:
    return daemon.core.tally.readings


def test_what_comes_again_before_the_store_is_open_is_stored_once(site: Site, sensor: Publisher) -> None:
    """Thirty readings stored and not acknowledged, a disk that is ready late, five new ones meanwhile: each is there once,
    and the broker is owed nothing."""
    leave_stored_and_not_acknowledged(site, sensor, 30)
    site.take_the_disk_away()
    second = site.watch()
    second.start()
    assert second.writer.store is None
    assert wait_until(lambda: heard(second) == 30), "the broker sends them again"
    sensor.send(LAMP, *[str(n) for n in range(30, 35)])
    assert wait_until(lambda: heard(second) == 35)
    site.bring_the_disk()
    assert wait_until(lambda: second.writer.store is not None)
    assert second.writer.flush(10.0)
    assert site.lamp == [float(n) for n in range(35)]
    assert wait_until(lambda: second.session.owed == 0)


def test_what_comes_again_after_a_late_store_is_open_is_known_too(site: Site, sensor: Publisher, broker: BrokerProcess) -> None:
    """The broker came later still than the disk: what it sends again then meets what the store remembers."""
    leave_stored_and_not_acknowledged(site, sensor, 10)
    site.take_the_disk_away()
    second = site.watch()
    second.writer.start()
    second.begin()
    site.bring_the_disk()
    assert wait_until(lambda: second.writer.flush(0.1) and second.writer.store is not None)
    second.session.start()
    sensor.send(LAMP, "10")
    assert wait_until(lambda: 10.0 in site.lamp)
    assert site.lamp == [float(n) for n in range(11)]


def test_a_lost_session_makes_everything_new_again(site: Site, sensor: Publisher, broker: BrokerProcess) -> None:
    """A broker that forgot us counts its packets from one: an equal reading under an id of before is another reading."""
    leave_stored_and_not_acknowledged(site, sensor, 3)
    site.take_the_disk_away()
    broker.kill()
    broker.start()  # it kept nothing
    second = site.watch()
    second.start()
    assert wait_until(lambda: second.session.subscribed)
    again = Publisher(broker.port)
    again.send(LAMP, "0", "1", "2")
    assert wait_until(lambda: heard(second) == 3)
    again.close()
    site.bring_the_disk()
    assert wait_until(lambda: second.writer.store is not None)
    assert second.writer.flush(10.0)
    assert site.lamp == [0.0, 0.0, 1.0, 1.0, 2.0, 2.0]
