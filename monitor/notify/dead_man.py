"""The dead-man ping: an address of the keeper's choice is called only while all is truly well.

Rules of this file: silence is the message. When the health it is given says no, or cannot answer, nothing is
sent, and whoever watches that address raises the alarm that a dead board cannot raise. The address is a
secret: it is kept masked everywhere. Nothing here ever raises.
"""

from __future__ import annotations

import http.client
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlsplit

from monitor.engine.connections import DeadManPing

log = logging.getLogger(__name__)

ANSWER_WITHIN_S = 10.0
# A ping that did not get through is tried again so soon, for the watcher's patience is about one interval.
RETRY_S = 30.0


@dataclass(frozen=True, slots=True)
class Ping:
    """What came of the last turn. `at` is the watch's own seconds; `sent` False means: not well, kept silent."""

    at: float
    sent: bool
    answered: bool
    answer: str


def check_ping_address(address: str) -> str | None:
    """What is wrong with the address, or None; the sentence does not repeat it."""
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        return 'expected an address such as "https://host/path"'
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        return 'expected an address such as "https://host/path"'
    if any(ord(sign) <= 32 or ord(sign) == 127 for sign in address):
        return "no spaces or control characters in an address"
    return None


def mask(address: str) -> str:
    """Scheme and host only: the path is usually the secret."""
    parts = urlsplit(address)
    return f"{parts.scheme}://{parts.hostname}/…"


class DeadMan:
    """Calls the address every `every_s` while `is_healthy` says yes, in a thread of its own.

    Args:
        ping: address and interval.
        is_healthy: readings flow, the store commits, the engine ticks; False or an exception keeps silent.
        now: seconds that never run backwards.
    """

    def __init__(self, ping: DeadManPing, is_healthy: Callable[[], bool], now: Callable[[], float] = time.monotonic) -> None:
        self._ping = ping
        self._is_healthy = is_healthy
        self._now = now
        self._name = mask(ping.address.reveal())
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self.last: Ping | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="dead-man ping", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """No goodbye is sent: a stopped watch is no watch, and the far end shall notice."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def step(self) -> float:
        """One turn; returns the seconds until the next."""
        at = self._now()
        former = self.last
        if not self._well():
            self.last = Ping(at, False, False, "not well, kept silent")
        else:
            answered, answer = self._call()
            self.last = Ping(at, True, answered, answer)
        if former is None or (former.sent, former.answered) != (self.last.sent, self.last.answered):
            log.info("dead-man ping %s: %s", self._name, self.last.answer)
        return self._ping.every_s if self.last.answered else min(RETRY_S, self._ping.every_s)

    def _run(self) -> None:
        while not self._stopping.wait(self.step()):
            pass

    def _well(self) -> bool:
        try:
            return self._is_healthy()
        except Exception:  # a health that cannot be told is no health
            log.exception("the health could not be told")
            return False

    def _call(self) -> tuple[bool, str]:
        parts = urlsplit(self._ping.address.reveal())
        kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
        try:
            connection = kind(parts.hostname or "", parts.port, timeout=ANSWER_WITHIN_S)
            try:
                target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
                connection.request("GET", target, headers={"User-Agent": "warmstraw"})
                status = connection.getresponse().status
            finally:
                connection.close()
        except Exception as trouble:  # an OSError, a bad certificate, nonsense from the far end: all the same here
            return False, type(trouble).__name__
        return 200 <= status < 300, f"answered {status}"
