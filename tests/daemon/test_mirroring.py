"""The mirror beside the daemon: it waits for a store, sends to a real server, and its trouble becomes an alarm's link."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from demo.broker import free_port
from monitor.daemon import mirroring
from monitor.daemon.mirroring import Mirroring
from monitor.engine.connections import Mirror as Address
from monitor.engine.events import Keep
from monitor.store.keep import Store
from tests.daemon.conftest import until
from tests.engine.barns import START_MS, site
from tests.store.mirror_server import Server


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    it = Server(tmp_path / "server")
    it.start()
    yield it
    it.end()


class Told(list[tuple[bool, str]]):
    def link(self, up: bool, detail: str) -> None:
        self.append((up, detail))


def keeps(number: int) -> list[Keep]:
    return [Keep("brooder/chick height", 30.0 + n / 10, n * 1.0, START_MS + n * 1000, False) for n in range(number)]


def test_it_begins_when_the_store_comes_and_the_server_has_every_reading(
    tmp_path: Path, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A start on a failing disk: the store comes later, and the mirror with it."""
    monkeypatch.setattr(mirroring, "LOOK_S", 0.05)
    stores: list[Store] = []
    told = Told()
    address = Address(server.address, "-", "warmstraw")
    it = Mirroring(tmp_path / "store", address, site(), lambda: stores[0] if stores else None, told.link)
    it.start()
    assert it.figures() == {}
    with Store.open(tmp_path / "store") as store:
        store.add_readings(keeps(25))
        stores.append(store)
        assert until(lambda: it.figures().get("mirror_lines_sent_total") == 25.0)
        assert it.figures()["mirror_lines_refused_total"] == 0.0
        assert until(lambda: sum(len(points) for _, points in server.series('{__name__=~".*"}')) == 25)
        it.stop()
    assert told == [(True, "")]


def test_a_server_that_is_not_there_is_a_link_that_is_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The keeper is told; the readings wait in the store, counted."""
    monkeypatch.setattr(mirroring, "LOOK_S", 0.05)
    told = Told()
    with Store.open(tmp_path / "store") as store:
        store.add_readings(keeps(5))
        address = Address(f"http://127.0.0.1:{free_port()}", "-", "warmstraw")
        it = Mirroring(tmp_path / "store", address, site(), lambda: store, told.link)
        it.start()
        assert until(lambda: told)
        assert told[0][0] is False
        assert "kept here and sent later" in told[0][1]
        assert until(lambda: it.figures().get("mirror_waiting_rows") == 5.0)
        it.stop()


def test_without_a_mirror_nothing_is_kept_back_for_a_former_one(tmp_path: Path) -> None:
    """[mirror] taken out of the settings: the store lets go of what waited for it, and no thread runs."""
    with Store.open(tmp_path / "store") as store:
        former = store.mirror.begin()
        assert former.seq >= 0
        it = Mirroring(tmp_path / "store", None, site(), lambda: store, Told().link)
        it.start()
        assert store.mirror.keep_after_seq is None  # it was a number
        assert it.figures() == {}
        it.stop()
