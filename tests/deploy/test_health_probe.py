"""What install.sh believes of a new daemon: asked over real HTTP."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from deploy.health_probe import SILENT, UNWELL, WELL, probe

Answering = Callable[[int, bytes], int]


@pytest.fixture
def answering() -> Iterator[Answering]:
    """Starts a server that answers so to all; its port."""
    servers: list[HTTPServer] = []

    def start(code: int, body: bytes) -> int:
        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(code)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        servers.append(HTTPServer(("127.0.0.1", 0), Handler))
        threading.Thread(target=servers[-1].serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
        return servers[-1].server_port

    yield start
    for server in servers:
        server.shutdown()
        server.server_close()


@pytest.mark.parametrize(
    ("code", "body", "exit_code", "told"),
    [
        (200, b'{"healthy": true}', WELL, "well"),
        (503, b'{"healthy": false, "parts": {"broker": "not connected"}}', UNWELL, "broker: not connected"),
        (200, b'{"healthy": false}', UNWELL, "not doing its work"),
        (200, b"<html>another program on this port</html>", SILENT, "nothing of ours"),
        (404, b"no", SILENT, "something else"),
        (200, b"[]", SILENT, "something else"),
    ],
)
def test_only_our_own_word_counts_as_health(answering: Answering, code: int, body: bytes, exit_code: int, told: str) -> None:
    """Another program on the port is no healthy daemon; an update would be believed that watches nothing."""
    found, sentence = probe("127.0.0.1", answering(code, body))
    assert found == exit_code
    assert told in sentence


def test_nobody_there_is_silence(answering: Answering) -> None:
    """A port where nothing listens, reached by the address that means every address."""
    assert probe("0.0.0.0", 1)[0] == SILENT
    assert probe("0.0.0.0", answering(200, b'{"healthy": true}'))[0] == WELL
