"""The dead-man ping against a real HTTP server: sent while the daemon is well, silent as soon as it is not."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from monitor.daemon.ping import dead_man, figures
from monitor.engine.connections import DeadManPing, Secret
from tests.daemon.conftest import until


class Watcher:
    """Whoever calls when the pings stop."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        watcher = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                watcher.heard.append(self.path)
                self.send_response(200)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
                return

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self.thread.start()

    @property
    def address(self) -> Secret:
        return Secret(f"http://127.0.0.1:{self.server.server_address[1]}/a-secret-path")

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(5)


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    it = Watcher()
    yield it
    it.close()


def test_it_pings_while_well_and_falls_silent_when_a_part_is_not(watcher: Watcher) -> None:
    """Readings stop: the watcher hears nothing more, and calls."""
    well = [True]
    it = dead_man(DeadManPing(watcher.address, every_s=0.05), lambda: (well[0], {"readings": "8 of 8 sensors"}))
    assert it is not None
    it.start()
    assert until(lambda: len(watcher.heard) >= 3)
    assert figures(it) == {"ping_answered": 1.0}
    well[0] = False
    assert until(lambda: it.last is not None and not it.last.sent)
    heard = len(watcher.heard)
    assert figures(it) == {"ping_answered": 0.0}
    assert not until(lambda: len(watcher.heard) > heard, 0.3)
    well[0] = True
    assert until(lambda: len(watcher.heard) > heard)
    it.stop()


def test_without_a_ping_in_the_settings_there_is_none() -> None:
    """Nothing is called unless the keeper asked for it."""
    assert dead_man(None, lambda: (True, {})) is None
    assert figures(None) == {}


def test_a_wrong_address_stops_no_daemon_and_is_said_without_it(caplog: pytest.LogCaptureFixture) -> None:
    """The birds are watched; the log names the table, never the secret."""
    assert dead_man(DeadManPing(Secret("ftp://watcher.example/abc")), lambda: (True, {})) is None
    assert "[ping]" in caplog.text
    assert "watcher.example" not in caplog.text
