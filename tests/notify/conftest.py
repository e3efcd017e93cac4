"""Real receivers on the loopback, and a real outbox in an SQLite file."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from demo.broker import free_port


class Receiver:
    """An HTTP receiver that takes, refuses, or takes and never answers, as it is told."""

    def __init__(self) -> None:
        self.mode = "take"
        self.taken: list[dict[str, Any]] = []  # bodies, in order of arrival, each with its idempotency key
        self.asked = 0
        self.release = threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                receiver.asked += 1
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"] or 0)) or b"{}")
                mode = receiver.mode
                if mode == "hang":
                    receiver.release.wait(30)
                elif mode in ("take", "take and hang"):
                    receiver.taken.append(body | {"key": self.headers.get("Idempotency-Key"), "path": self.path})
                if mode == "take and hang":
                    receiver.release.wait(30)
                try:
                    self.send_response(503 if mode == "refuse" else 200)
                    self.end_headers()
                except OSError:
                    return

            do_GET = do_POST

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
                return

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.server.block_on_close = False
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self.thread.start()

    @property
    def address(self) -> str:
        return f"json://127.0.0.1:{self.port}/alarm?cto=0.5&rto=0.5"

    def titles(self) -> list[str]:
        return [body["title"] for body in self.taken]

    def record(self) -> dict[str, str]:
        """What a receiver that keeps the idempotency key has: one line a key."""
        return {str(body["key"]): body["title"] for body in reversed(self.taken)}

    def close(self) -> None:
        self.release.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(5)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    it = Receiver()
    yield it
    it.close()


@pytest.fixture
def second_receiver() -> Iterator[Receiver]:
    it = Receiver()
    yield it
    it.close()


class Mailbox:
    """What a real SMTP server took."""

    def __init__(self) -> None:
        self.mails: list[Any] = []
        self.refuse = False

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.refuse:
            return "451 try again later"
        self.mails.append(envelope)
        return "250 OK"


@pytest.fixture
def mailbox() -> Iterator[tuple[Mailbox, str]]:
    box = Mailbox()
    port = free_port()
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    yield box, f"mailto://127.0.0.1:{port}/?smtp=127.0.0.1&mode=insecure&from=pen@example.org&to=ada@example.org&cto=2"
    controller.stop()
