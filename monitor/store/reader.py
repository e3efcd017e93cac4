"""The reading side of the store: for the page, the API and the commands, beside a running writer or alone.

Rules of this file: it cannot write. One `Reader` serves any number of threads, who take turns. When the
file is replaced (restored, or set aside as damaged) the next question goes to the new one.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from monitor.engine.events import JournalEntry
from monitor.store import decisions, fan_sums, journal
from monitor.store.connection import STORE_NAME, note_suspicion, open_reader
from monitor.store.decisions import Decision
from monitor.store.failures import StoreCorrupt, StoreMissing, told
from monitor.store.rollups import DAY_MS, HOUR_MS, TEN_MINUTES_MS

_WINDOW_ROWS = 50_000  # readings held in memory at a time by `readings`


@dataclass(frozen=True, slots=True)
class Bucket:
    """What one series did in one stretch of time; SI. `time_ms` is the stretch's start."""

    time_ms: int
    n: int
    low: float
    mean: float
    high: float


@dataclass(frozen=True, slots=True)
class StoredReading:
    sensor: str
    time_ms: int
    value: float  # SI


@dataclass(frozen=True, slots=True)
class UndatedReading:
    """A reading of a run whose clock has not become known; `at` is elapsed seconds in its segment."""

    sensor: str
    segment: int
    at: float
    value: float


@dataclass(frozen=True, slots=True)
class Counts:
    readings: int  # raw and dated
    undated: int  # waiting for their clock
    series: int
    decisions: int
    journal: int
    notices: Mapping[str, int]  # by status
    file_bytes: int


class Reader:
    """Questions to the store. Every method raises `StoreFailing` when it cannot be read."""

    def __init__(self, folder: str | Path) -> None:
        self.file = Path(folder) / STORE_NAME
        self._turns = threading.RLock()
        self._connection: sqlite3.Connection | None = None
        self._identity: tuple[int, int] | None = None

    def close(self) -> None:
        with self._turns:
            if self._connection is not None:
                self._connection.close()
                self._connection = None

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def asking(self) -> Iterator[sqlite3.Connection]:
        """The connection, for as long as one question takes."""
        with self._turns, self._noting_damage(), told(self.file):
            try:
                found = os.stat(self.file)
            except FileNotFoundError as error:
                raise StoreMissing(
                    f"There is no store in {self.file.parent}.",
                    "Name the folder that stands under [store] in the settings; `watch` makes it at its first start.",
                ) from error
            if self._connection is None or self._identity != (found.st_dev, found.st_ino):
                self.close()
                self._connection = open_reader(self.file)
                self._identity = (found.st_dev, found.st_ino)
            yield self._connection

    @contextmanager
    def _noting_damage(self) -> Iterator[None]:
        try:
            yield
        except StoreCorrupt:
            note_suspicion(self.file.parent)  # the writer then opens the store anew
            raise

    # ------------------------------------------------------------ readings

    def sensors(self) -> list[str]:
        """Keys of every sensor that ever had a reading stored."""
        with self.asking() as ask:
            return [name for (name,) in ask.execute("SELECT name FROM series ORDER BY name")]

    def latest(self, sensor: str) -> StoredReading | None:
        """The newest dated reading of one sensor."""
        with self.asking() as ask, _snapshot(ask):
            series = _series(ask, sensor)
            # One question each, with a limit: max(time) … GROUP BY would read every row.
            rows = [
                *ask.execute("SELECT time_ms, value FROM reading WHERE series = ? ORDER BY time_ms DESC LIMIT 1", (series,)),
                *ask.execute(f"SELECT time_ms, value {_INBOX} AND series = ? ORDER BY time_ms DESC LIMIT 1", (series,)),
            ]
        return max((StoredReading(sensor, *row) for row in rows), key=lambda found: found.time_ms, default=None)

    def series(self, sensor: str, from_ms: int, to_ms: int, points: int) -> list[Bucket]:
        """One sensor between two times in at most `points` stretches of equal width; empty ones are left out.

        Stretches finer than ten minutes come from raw readings, finer than an hour from the ten-minute
        roll-ups, others from the hourly ones; where raw readings were dropped for their age, from roll-ups
        all the same. Roll-ups that overlap an end of the span count whole.

        Raises:
            ValueError: the span is empty, or `points` less than 1.
        """
        if to_ms <= from_ms or points < 1:
            raise ValueError(
                f"from {from_ms} to {to_ms} in {points} points: the span must be longer than 0, the points at least 1"
            )
        with self.asking() as ask, _snapshot(ask):
            series = _series(ask, sensor)
            (raw_from_ms,) = ask.execute("SELECT value FROM mark WHERE name = 'raw_from_ms'").fetchone()
            table, base_ms = _source((to_ms - from_ms) / points, from_ms < raw_from_ms)
            width_ms, start, end = _stretches(from_ms, to_ms, points, base_ms)
            if table is None:
                held = "SELECT time_ms, 1 AS n, value AS low, value AS high, value AS total FROM reading"
            else:
                held = f"SELECT time_ms, n, low, high, total FROM {table}"  # noqa: S608 — one of two names, from _source
            # The arrivals not yet moved come first into the sum, so that roll-ups are never behind.
            rows = ask.execute(
                f"""SELECT (time_ms - :start) / :width * :width + :start AS stretch, sum(n), min(low), sum(total), max(high)
                    FROM (
                    {held} WHERE series = :series AND time_ms >= :start AND time_ms < :end
                    UNION ALL SELECT time_ms, 1, value, value, value {_INBOX} AND series = :series
                    AND time_ms >= :start AND time_ms < :end) GROUP BY stretch ORDER BY stretch""",  # noqa: S608 — constants and the same names
                {"series": series, "start": start, "end": end, "width": width_ms},
            ).fetchall()
        return [Bucket(time_ms, n, low, total / n, high) for time_ms, n, low, total, high in rows]

    def readings(
        self, sensors: str | Sequence[str] | None, from_ms: int | None = None, to_ms: int | None = None
    ) -> Iterator[StoredReading]:
        """Raw dated readings from `from_ms` up to before `to_ms`, in order of time; of one sensor, some, or all.

        They come in stretches of time, each read at once, so that a long run holds neither memory nor the
        store; a reading that arrives meanwhile for a stretch already given is not in it.
        """
        with self.asking() as ask:
            ids: dict[int, str] = dict(ask.execute("SELECT id, name FROM series"))
        if sensors is not None:
            wanted = {sensors} if isinstance(sensors, str) else set(sensors)
            ids = {number: name for number, name in ids.items() if name in wanted}
        ends = self._ends(list(ids), from_ms, to_ms)
        if ends is None:
            return
        start, end = ends
        width = HOUR_MS
        while start < end:
            stop = min(start + width, end)
            rows = self._window(list(ids), start, stop)
            for time_ms, series, value in rows:
                yield StoredReading(ids[series], time_ms, value)
            if len(rows) > _WINDOW_ROWS:
                width = max(TEN_MINUTES_MS, width // 2)
            elif len(rows) < _WINDOW_ROWS // 4:
                width = min(7 * DAY_MS, width * 2)
            start = stop
            if not rows:
                ends = self._ends(list(ids), start, end)
                start = end if ends is None else ends[0]

    def _window(self, ids: Sequence[int], start: int, stop: int) -> list[tuple[int, int, float]]:
        with self.asking() as ask, _snapshot(ask):
            rows: list[tuple[int, int, float]] = []
            for series in ids:
                rows += ask.execute(
                    "SELECT time_ms, series, value FROM reading WHERE series = ? AND time_ms >= ? AND time_ms < ?",
                    (series, start, stop),
                )
            wanted = set(ids)
            arrived = ask.execute(f"SELECT time_ms, series, value {_INBOX} AND time_ms >= ? AND time_ms < ?", (start, stop))
            rows += [row for row in arrived if row[1] in wanted]
        rows.sort()
        return rows

    def _ends(self, ids: Sequence[int], from_ms: int | None, to_ms: int | None) -> tuple[int, int] | None:
        """First and just after the last reading within the limits; None when there is none."""
        low, high = -(2**62) if from_ms is None else from_ms, 2**62 if to_ms is None else to_ms
        with self.asking() as ask, _snapshot(ask):
            found: list[int] = []
            for series in ids:
                span = "FROM reading WHERE series = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"
                found += [time_ms for (time_ms,) in ask.execute(f"SELECT time_ms {span} LIMIT 1", (series, low, high))]
                found += [time_ms for (time_ms,) in ask.execute(f"SELECT time_ms {span} DESC LIMIT 1", (series, low, high))]
            wanted = set(ids)
            arrived = ask.execute(f"SELECT series, time_ms {_INBOX} AND time_ms >= ? AND time_ms < ?", (low, high))
            found += [time_ms for series, time_ms in arrived if series in wanted]
        return (min(found), max(found) + 1) if found else None

    def undated(self) -> Iterator[UndatedReading]:
        """Readings that wait for the clock of their segment, in order of arrival within it."""
        last = (-(2**62), 0)
        while True:
            with self.asking() as ask:
                rows = ask.execute(
                    """SELECT w.segment, w.n, s.name, w.at_ms, w.value FROM waiting w JOIN series s ON s.id = w.series
                       WHERE (w.segment, w.n) > (?, ?) ORDER BY w.segment, w.n LIMIT 10000""",
                    last,
                ).fetchall()
            if not rows:
                return
            for segment, _, name, at_ms, value in rows:
                yield UndatedReading(name, segment, at_ms / 1000, value)
            last = rows[-1][:2]

    # ------------------------------------------------------------ decisions and journal

    def decisions(
        self,
        pen: str | None = None,
        from_ms: int | None = None,
        to_ms: int | None = None,
        kinds: Sequence[str] = ("fan", "alarm"),
        limit: int = 100_000,
    ) -> list[Decision]:
        """Dated decisions, oldest first; of more than `limit` the newest. `pen` None: of all; "": the site's own.

        A fan's commands older than eight weeks are sums of ten minutes and come in their shape, see `fan_sums`.
        """
        with self.asking() as ask, _snapshot(ask):
            found = decisions.between(ask, pen, from_ms, to_ms, kinds, limit)
            return fan_sums.with_sums(ask, found, pen, from_ms, to_ms)[-limit:] if "fan" in kinds else found

    def alarm_history(self, key: str | None = None, limit: int = 1_000) -> list[Decision]:
        """The last changes of one alarm, or of all, oldest first, those not dated yet among them."""
        with self.asking() as ask:
            return decisions.of_alarm(ask, key, limit)

    def fan_seconds(self, pen: str, from_ms: int, to_ms: int) -> float:
        """How long the fan was told to run, s; see `fan_sums.fan_seconds`."""
        with self.asking() as ask, _snapshot(ask):
            return fan_sums.fan_seconds(ask, pen, from_ms, to_ms)

    def fan_seconds_each(self, pen: str, from_ms: int, to_ms: int, steps: int) -> list[float]:
        """The same for each of so many equal steps, s; see `fan_sums.fan_seconds_each`."""
        with self.asking() as ask, _snapshot(ask):
            return fan_sums.fan_seconds_each(ask, pen, from_ms, to_ms, steps)

    def journal(self, pen: str | None = None, from_ms: int | None = None, to_ms: int | None = None) -> list[JournalEntry]:
        """What the keeper did, oldest first; without limits also entries that are not dated yet, last."""
        with self.asking() as ask:
            return [row.entry for row in journal.between(ask, pen, from_ms, to_ms)]

    def counts(self) -> Counts:
        """How much there is."""
        with self.asking() as ask, _snapshot(ask):

            def one(asked: str) -> int:
                return int(ask.execute(asked).fetchone()[0] or 0)

            # Counting millions of raw rows reads them all; the hourly roll-ups know.
            dated = one("SELECT sum(n) FROM hour WHERE time_ms >= (SELECT value FROM mark WHERE name = 'raw_from_ms')")
            return Counts(
                readings=dated + one(f"SELECT count(*) {_INBOX}"),
                undated=one("SELECT count(*) FROM waiting"),
                series=one("SELECT count(*) FROM series"),
                decisions=one("SELECT count(*) FROM decision"),
                journal=one("SELECT count(*) FROM journal"),
                notices=dict(ask.execute("SELECT status, count(*) FROM outbox GROUP BY status")),
                file_bytes=one("PRAGMA page_count") * one("PRAGMA page_size"),
            )


_INBOX = "FROM inbox WHERE seq > (SELECT value FROM mark WHERE name = 'settled_seq')"


@contextmanager
def _snapshot(ask: sqlite3.Connection) -> Iterator[None]:
    """Several questions, one state: without it the hourly move could fall between two of them."""
    ask.execute("BEGIN")
    try:
        yield
    finally:
        ask.execute("ROLLBACK")


def _series(ask: sqlite3.Connection, sensor: str) -> int:
    row = ask.execute("SELECT id FROM series WHERE name = ?", (sensor,)).fetchone()
    return -1 if row is None else int(row[0])


def _source(stretch_ms: float, raw_is_gone: bool) -> tuple[str | None, int]:
    """The table to read for stretches this wide, and its own width; None for raw readings."""
    if stretch_ms >= HOUR_MS:
        return "hour", HOUR_MS
    if stretch_ms >= TEN_MINUTES_MS or raw_is_gone:
        return "ten_minutes", TEN_MINUTES_MS
    return None, 1


def _stretches(from_ms: int, to_ms: int, points: int, base_ms: int) -> tuple[int, int, int]:
    """Width of a stretch in whole roll-ups, start of the first, end of the last; at most `points` of them."""
    start, end = from_ms // base_ms * base_ms, -(-to_ms // base_ms) * base_ms
    width = -(-(end - start) // (points * base_ms)) * base_ms
    return width, start, end
