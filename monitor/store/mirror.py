"""The copy elsewhere: stored readings, decisions and journal sent on to a server that speaks line protocol, version 2.

Rules of this file: the store is the truth and never waits for the mirror; it has a thread and a reading
connection of its own. Whatever the server does, the mirror goes on: unreachable, hung or busy, it waits and
sends again; a refused batch is halved until the bad line stands alone, which is set aside and told.
Never the client library's batching writer: it drops silently after its retries and blocks on closing.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from monitor.engine.connections import Mirror as Address
from monitor.engine.specification import Specification
from monitor.store import decisions, journal, mirror_course
from monitor.store.failures import StoreFailing
from monitor.store.mirror_course import BATCH_LINES, EVERY_S, Course, Cursor
from monitor.store.mirror_ledger import Ledger
from monitor.store.mirror_lines import Lines
from monitor.store.reader import Bucket, Reader, StoredReading
from monitor.store.rollups import HOUR_MS

TIMEOUT_S = 20.0
HOURS_LATE = 3  # readings are moved into the roll-ups some hours after they came
HOURS_AT_ONCE = 24

log = logging.getLogger(__name__)


class Refused(Exception):  # noqa: N818 — reads as what happened
    """The server will not have these lines, now or later."""


class Unreached(Exception):  # noqa: N818 — reads as what happened
    """The server could not be reached, did not answer in time, or is not ready; the same lines may do later."""


class Sender(Protocol):
    def send(self, lines: Sequence[str]) -> None:
        """Returns once the server has accepted; raises `Refused` or `Unreached`."""

    def close(self) -> None: ...


class LineSender:
    """Sends through influxdb-client, synchronously."""

    def __init__(self, address: Address, timeout_s: float = TIMEOUT_S) -> None:
        # 155 ms and 25 MB: imported only where there is a mirror, and in its thread.
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS
        from influxdb_client.domain.write_precision import WritePrecision
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        self._refusal: Any = ApiException
        self._broken: tuple[type[Exception], ...] = (HTTPError, OSError)
        self._precision: Any = WritePrecision.MS
        self._address = address
        token = address.token.reveal() if address.token else ""
        # Our own course retries; the library's retries would only lengthen a hang.
        self._client: Any = InfluxDBClient(
            address.address, token, org=address.organisation, timeout=int(timeout_s * 1000), enable_gzip=True, retries=False
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def send(self, lines: Sequence[str]) -> None:
        text = "\n".join(lines)
        try:
            self._write.write(self._address.bucket, self._address.organisation, text, write_precision=self._precision)
        except self._refusal as error:
            told = f"the server answers {error.status} {error.reason}: {str(error.body or '')[:200]}".strip()
            if error.status in (400, 413, 422):
                raise Refused(told) from error
            if error.status in (401, 403):
                told += " (see the token under [mirror] in the settings)"
            raise Unreached(told) from error
        except self._broken as error:
            raise Unreached(f"{type(error).__name__}: {error}"[:300]) from error

    def close(self) -> None:
        self._client.close()


class Mirror:
    """Sends what is new, in a thread of its own between `start` and `stop`."""

    def __init__(
        self,
        folder: str | Path,
        ledger: Ledger,
        specification: Specification,
        sender: Callable[[], Sender],
        on_link: Callable[[bool, str], None] = lambda _up, _detail: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """
        Args:
            ledger: the store's `mirror`.
            sender: makes the sender, in the mirror's thread: `lambda: LineSender(connections.mirror)`.
            on_link: told when the server is lost and found again, and of each line set aside.
            clock: elapsed seconds.
        """
        self._reader = Reader(folder)
        self._ledger = ledger
        self._lines = Lines(specification)
        self._make_sender = sender
        self._sender: Sender | None = None
        self._on_link = on_link
        self._clock = clock
        self._course: Course | None = None
        self._rewinds = -1
        self._up: bool | None = None
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self.lines_sent = 0
        self.lines_refused = 0
        self.last_error = ""

    def start(self) -> None:
        self._ledger.begin()
        self._thread = threading.Thread(target=self._run, name="mirror", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """Ask the thread to end; one that hangs in the network is left behind, it holds nothing of the store."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def behind(self) -> int:
        """Readings, decisions and entries that wait to be sent; those of before the mirror are not counted."""
        cursor = self._course.front if self._course else self._ledger.cursor()[0]
        with self._reader.asking() as ask:
            (count,) = ask.execute(
                """SELECT (SELECT count(*) FROM inbox WHERE seq > ?) + (SELECT count(*) FROM decision WHERE id > ?)
                   + (SELECT count(*) FROM journal WHERE id > ?)""",
                (cursor.seq, cursor.decision, cursor.journal),
            ).fetchone()
        return int(count)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                next_at = self.step()
            except Exception:  # the thread must outlive whatever this is
                log.exception("the mirror met a fault; it goes on in %s s", mirror_course.LONGEST_PAUSE_S)
                next_at = self._clock() + mirror_course.LONGEST_PAUSE_S
            self._stopping.wait(max(0.0, next_at - self._clock()))
        if self._sender is not None:
            self._sender.close()
        self._reader.close()

    def step(self) -> float:
        """Send one batch, when its time has come. Returns when to come again, by the clock."""
        now = self._clock()
        cursor, rewinds = self._ledger.cursor()
        if self._course is None:
            self._course = mirror_course.begun(cursor, now)
        elif rewinds != self._rewinds:
            self._course = replace(mirror_course.begun(cursor, self._course.next_at), failures=self._course.failures)
        self._rewinds = rewinds
        if now < self._course.next_at:
            return self._course.next_at
        try:
            lines, front = self._gather(self._course.front)
            if self._sender is None:
                self._sender = self._make_sender()
            if lines:
                self._send(lines)
        except (Unreached, StoreFailing) as error:
            self._course = mirror_course.failed(self._course, self._clock())
            self.last_error = str(error)
            self._tell(False, f"{error} Readings are kept here and sent later.")
            return self._course.next_at
        self._course = mirror_course.sent(self._course, self._clock(), front, full=len(lines) >= BATCH_LINES)
        self._ledger.passed(self._course.safe, rewinds)
        if lines:
            self._tell(True, "")
        return self._course.next_at

    def _tell(self, up: bool, detail: str) -> None:
        if up is not self._up:
            self._up = up
            if not up:
                log.warning("the mirror's server is lost: %s", detail)
            self._on_link(up, detail)

    # ------------------------------------------------------------ what to send

    def _gather(self, front: Cursor) -> tuple[list[str], Cursor]:
        """The next lines, at most a batch, and the cursor behind them. What has just come goes before history."""
        lines: list[str] = []
        with self._reader.asking() as ask:
            for row in journal.after(ask, front.journal, BATCH_LINES):
                lines += filter(None, [self._lines.journal(row)])
                front = replace(front, journal=row.id)
            for decision in decisions.after(ask, front.decision, BATCH_LINES - len(lines)):
                lines += filter(None, [self._lines.decision(decision)])
                front = replace(front, decision=decision.id)
            arrivals = ask.execute(
                """SELECT i.seq, s.name, i.time_ms, i.value FROM inbox i JOIN series s ON s.id = i.series
                   WHERE i.seq > ? ORDER BY i.seq LIMIT ?""",
                (front.seq, max(0, BATCH_LINES - len(lines))),
            ).fetchall()
            lines += [self._lines.reading(StoredReading(name, time_ms, value)) for _, name, time_ms, value in arrivals]
            if arrivals:
                front = replace(front, seq=arrivals[-1][0])
            room = BATCH_LINES - len(lines)
            if front.history_series is not None and room > 0:
                past = ask.execute(
                    """SELECT r.series, s.name, r.time_ms, r.value FROM reading r JOIN series s ON s.id = r.series
                       WHERE (r.series, r.time_ms) > (?, ?) ORDER BY r.series, r.time_ms LIMIT ?""",
                    (front.history_series, front.history_ms, room),
                ).fetchall()
                lines += [self._lines.reading(StoredReading(name, time_ms, value)) for _, name, time_ms, value in past]
                done = len(past) < room
                front = replace(front, history_series=None if done else past[-1][0], history_ms=0 if done else past[-1][2])
            if not lines:  # nothing else waits
                lines, front = self._gather_hours(ask, front)
        return lines, front

    def _gather_hours(self, ask: sqlite3.Connection, front: Cursor) -> tuple[list[str], Cursor]:
        """Hourly roll-ups, some hours at a time, of hours well over; what comes later for one is sent as a reading only."""
        newest = ask.execute(
            "SELECT max(t) FROM (SELECT (SELECT max(time_ms) FROM hour WHERE series = s.id) AS t FROM series s)"
        ).fetchone()[0]
        oldest = ask.execute(
            """SELECT min(t) FROM (SELECT (SELECT min(time_ms) FROM hour WHERE series = s.id AND time_ms >= ?) AS t
               FROM series s)""",
            (front.hour_ms,),
        ).fetchone()[0]
        if newest is None or oldest is None or oldest > newest - HOURS_LATE * HOUR_MS:
            return [], front
        end = min(oldest + HOURS_AT_ONCE * HOUR_MS, newest - HOURS_LATE * HOUR_MS + HOUR_MS)
        rows = ask.execute(
            """SELECT s.name, h.time_ms, h.n, h.low, h.total, h.high FROM series s JOIN hour h ON h.series = s.id
               WHERE h.time_ms >= ? AND h.time_ms < ?""",
            (oldest, end),
        )
        lines = [self._lines.hour(name, Bucket(t, n, low, total / n, high)) for name, t, n, low, total, high in rows]
        return lines, replace(front, hour_ms=end)

    def _send(self, lines: Sequence[str]) -> None:
        """Send them all but those no server would take."""
        assert self._sender is not None
        try:
            self._sender.send(lines)
            self.lines_sent += len(lines)
        except Refused as error:
            if len(lines) > 1:
                half = len(lines) // 2
                self._send(lines[:half])
                self._send(lines[half:])
                return
            self.lines_refused += 1
            self._ledger.set_aside(lines[0], str(error))
            log.warning("the mirror's server would not take one line, which is set aside: %s (%s)", lines[0], error)
            self._on_link(True, f"one line was refused and set aside: {error}")


__all__ = ["EVERY_S", "LineSender", "Mirror", "Refused", "Sender", "Unreached"]
