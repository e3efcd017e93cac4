"""The web server in a thread of its own. It owns no signal: stopping is the daemon's business."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

log = logging.getLogger(__name__)

# An open stream would hold up a stop for ever; the streams end by themselves, this is for the ones that cannot.
_GRACE_S = 2


class _Server(uvicorn.Server):
    """uvicorn re-raises a signal it caught, and what follows (safe fan, last commit) would never run."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class WebServer:
    """Listens from `start` to `stop`."""

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        self._socket = _bound(host, port)
        config = uvicorn.Config(
            app,
            log_config=None,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=_GRACE_S,
            timeout_keep_alive=30,
            limit_concurrency=200,
            h11_max_incomplete_event_size=16 * 1024,
            server_header=False,
            ws="none",
            lifespan="off",
        )
        self._server = _Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)
        self.host = host
        self.port: int = self._socket.getsockname()[1]

    @property
    def address(self) -> str:
        """Where a browser on this machine finds it."""
        host = "127.0.0.1" if self.host in ("0.0.0.0", "::", "") else self.host  # noqa: S104 — a comparison
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}"

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive() and self._server.started

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Stop listening, end the streams, wait. False when it did not end in time."""
        self._server.should_exit = True
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            self._server.force_exit = True
            self._thread.join(1.0)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        except Exception:  # the birds are watched without a page, too
            log.exception("the web server ended; the barn is still watched, the page is gone until a restart")
        finally:
            self._socket.close()


def _bound(host: str, port: int) -> socket.socket:
    """A socket bound now, so that a taken port is a clear error at the start. Raises OSError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # TCP named outright: only then does asyncio turn off waiting for acknowledgements, which costs 40 ms an answer.
    bound = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
        bound.listen(100)  # whoever comes before the thread is up waits instead of being refused
    except OSError as error:
        bound.close()
        raise OSError(
            error.errno, f"the page cannot listen on {host} port {port}: {error.strerror}; change [api] host or port"
        ) from error
    return bound
