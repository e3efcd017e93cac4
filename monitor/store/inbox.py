"""Readings on their way in: which time each one stands under, and the hourly move to their place.

Rules of this file:
- One series holds at most one reading a millisecond. A reading that told no time of its own and meets a
  taken millisecond is another reading: it takes the next free one. One that told its own time and meets
  the same value at that time is the same reading, come twice; with another value it takes the next free one.
- A reading taken while the wall clock was not trusted waits, in the order of arrival, until its segment's
  clock is known; then it comes in as a newly arrived one. `seq` is the order of arrival and never repeats.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from monitor.engine.events import Keep
from monitor.store import memory, rollups

# 2000-01-01 and 2100-01-01. A time outside is no time: the reading waits like one without.
EARLIEST_MS = 946_684_800_000
LATEST_MS = 4_102_444_800_000

# Moved readings that may stay in the inbox for their deliveries' sake; after a file was taken in there are more.
_KEPT_FOR_DELIVERIES = 8 * memory.REMEMBERED

_Taken = dict[int, dict[int, float]]  # series → millisecond → value


def is_same(held: float, value: float) -> bool:
    """Whether two values at one time are one reading, also after a trip through another unit and back."""
    return math.isclose(held, value, rel_tol=1e-8, abs_tol=1e-7)


@dataclass(slots=True)
class Intake:
    """What one batch adds, worked out before anything is written."""

    names: dict[str, int] = field(default_factory=dict)  # series not known before
    dated: list[tuple[int, int, int, float]] = field(default_factory=list)  # seq, series, time_ms, value
    waiting: list[tuple[int, int, int, int, float, int]] = field(default_factory=list)
    same: int = 0  # readings already stored
    refused: int = 0  # not a number
    taken: _Taken = field(default_factory=dict)
    newest: dict[int, int] = field(default_factory=dict)
    runs: dict[int, tuple[int, int]] = field(default_factory=dict)  # by series: milliseconds taken without a gap, end excluded

    @property
    def readings(self) -> int:
        return len(self.dated) + len(self.waiting)


class Inbox:
    """The writing side of the readings; lives on the writer's connection, inside its transactions."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.load()

    def load(self) -> None:
        """Read what must be known before the next reading can be placed."""
        ask = self._connection.execute
        self._ids: dict[str, int] = {str(name): int(number) for number, name in ask("SELECT id, name FROM series")}
        (settled,) = ask("SELECT value FROM mark WHERE name = 'settled_seq'").fetchone()
        (last,) = ask("SELECT coalesce(max(seq), 0) FROM inbox").fetchone()
        self._settled: int = int(settled)
        self._last_seq: int = max(int(settled), int(last))
        # Only what is in the inbox and not yet moved: an hour of readings. The rest is looked up when needed.
        self._taken: _Taken = {}
        self._newest: dict[int, int] = {}
        for series in self._ids.values():
            row = ask("SELECT time_ms FROM reading WHERE series = ? ORDER BY time_ms DESC LIMIT 1", (series,)).fetchone()
            if row is not None:
                self._newest[series] = int(row[0])
        for series, time_ms, value in ask("SELECT series, time_ms, value FROM inbox WHERE seq > ?", (settled,)):
            self._taken.setdefault(series, {})[time_ms] = value
            self._newest[series] = max(self._newest.get(series, 0), time_ms)
        self._runs: dict[int, tuple[int, int]] = {}
        self._waiting_n: dict[int, int] = dict(ask("SELECT segment, max(n) FROM waiting GROUP BY segment"))

    @property
    def unmoved(self) -> int:
        """Readings in the inbox that are not in their place yet."""
        return sum(map(len, self._taken.values()))

    @property
    def newest(self) -> dict[str, int]:
        """The millisecond of the newest dated reading, by series."""
        return {name: self._newest[series] for name, series in self._ids.items() if series in self._newest}

    def plan(self, keeps: Iterable[Keep], segment: int) -> Intake:
        """Decide for each reading the time it will stand under. Changes nothing."""
        intake = Intake()
        ids, seq = self._ids, self._last_seq
        n = self._waiting_n.get(segment, 0)
        for keep in keeps:
            if not math.isfinite(keep.value):
                intake.refused += 1
                continue
            series = ids.get(keep.sensor) or intake.names.get(keep.sensor)
            if series is None:
                series = len(ids) + len(intake.names) + 1
                intake.names[keep.sensor] = series
            time_ms = keep.wall_ms
            if time_ms is None or not EARLIEST_MS <= time_ms < LATEST_MS:
                n += 1
                own_time = keep.own_time and time_ms is None
                intake.waiting.append((segment, n, series, round(keep.at * 1000), keep.value, int(own_time)))
                continue
            place = self._place(intake, series, time_ms, keep.value, keep.own_time)
            if place is None:
                intake.same += 1
                continue
            seq += 1
            intake.dated.append((seq, series, place, keep.value))
            intake.taken.setdefault(series, {})[place] = keep.value
            if place > intake.newest.get(series, 0):
                intake.newest[series] = place
        return intake

    def _place(self, intake: Intake, series: int, time_ms: int, value: float, own_time: bool) -> int | None:
        """The millisecond for this reading, or None when it is stored already."""
        if time_ms > self._newest.get(series, -1) and time_ms > intake.newest.get(series, -1):
            return time_ms
        # A burst faster than one a millisecond runs ahead of its own times: its end is known, not looked for.
        first, after = intake.runs.get(series) or self._runs.get(series, (time_ms, time_ms))
        in_run = first <= time_ms <= after
        place = after if in_run and not own_time else time_ms
        while (held := self._held(intake, series, place)) is not None:
            if own_time and is_same(held, value):
                return None
            place += 1
        if not own_time:
            intake.runs[series] = (first if in_run else time_ms, place + 1)
        return place

    def _held(self, intake: Intake, series: int, time_ms: int) -> float | None:
        for taken in (intake.taken, self._taken):
            value = taken.get(series, {}).get(time_ms)
            if value is not None:
                return value
        asked = "SELECT value FROM reading WHERE series = ? AND time_ms = ?"
        row = self._connection.execute(asked, (series, time_ms)).fetchone()
        return None if row is None else float(row[0])

    def write(self, intake: Intake) -> None:
        """Write a plan, inside the caller's transaction."""
        many = self._connection.executemany
        if intake.names:
            many("INSERT INTO series (name, id) VALUES (?, ?)", intake.names.items())
        if intake.dated:
            many("INSERT INTO inbox (seq, series, time_ms, value) VALUES (?, ?, ?, ?)", intake.dated)
        if intake.waiting:
            many("INSERT INTO waiting (segment, n, series, at_ms, value, own_time) VALUES (?, ?, ?, ?, ?, ?)", intake.waiting)

    def last_dated(self, intake: Intake) -> int | None:
        """`seq` of the batch's last reading, or None when it has no dated one."""
        return intake.dated[-1][0] if intake.dated else None

    def accept(self, intake: Intake) -> None:
        """The transaction stands: remember what it took."""
        self._ids.update(intake.names)
        if intake.dated:
            self._last_seq = intake.dated[-1][0]
        for series, taken in intake.taken.items():
            self._taken.setdefault(series, {}).update(taken)
        self._runs.update(intake.runs)
        for series, time_ms in intake.newest.items():
            self._newest[series] = max(self._newest.get(series, 0), time_ms)
        for segment, n, *_ in intake.waiting:
            self._waiting_n[segment] = max(n, self._waiting_n.get(segment, 0))

    # ------------------------------------------------------------ a clock becomes known

    def note_placement(self, segment: int, offset_ms: int) -> None:
        """From now on the readings of this segment that wait stand at elapsed time + offset. In a transaction."""
        upto = self._waiting_n.get(segment, 0)
        if upto:
            put = (
                "INSERT INTO placement VALUES (?, ?, ?) ON CONFLICT (segment, upto) DO UPDATE SET offset_ms = excluded.offset_ms"
            )
            self._connection.execute(put, (segment, upto, offset_ms))

    def next_dated(self, rows: int) -> tuple[Intake, Sequence[tuple[int, int]]] | None:
        """The next readings whose clock has become known, as an intake, and the waiting rows they come from."""
        ask = self._connection.execute
        placement = ask("SELECT segment, upto, offset_ms FROM placement ORDER BY segment, upto LIMIT 1").fetchone()
        if placement is None:
            return None
        segment, upto, offset_ms = placement
        found = ask(
            """SELECT n, s.name, at_ms, value, own_time FROM waiting JOIN series s ON s.id = series
               WHERE segment = ? AND n <= ? ORDER BY n LIMIT ?""",
            (segment, upto, rows),
        ).fetchall()
        keeps = [Keep(name, value, at_ms / 1000, at_ms + offset_ms, bool(own)) for _, name, at_ms, value, own in found]
        return self.plan(keeps, segment), [(segment, n) for n, *_ in found] or [(segment, 0)]

    def write_dated(self, intake: Intake, origins: Sequence[tuple[int, int]]) -> None:
        """Move waiting readings into the inbox, inside the caller's transaction."""
        self.write(intake)
        segment, last = origins[-1]
        do = self._connection.execute
        do("DELETE FROM waiting WHERE segment = ? AND n <= ?", (segment, last))
        do(
            """DELETE FROM placement WHERE segment = ?1 AND NOT EXISTS
               (SELECT 1 FROM waiting WHERE segment = ?1 AND n <= placement.upto)""",
            (segment,),
        )

    # ------------------------------------------------------------ the hourly move

    def move(self, rows: int) -> list[tuple[int, int]]:
        """Move the oldest arrivals to their place by series and time, and into the roll-ups. In a transaction.

        Returns:
            The places taken, series and millisecond; hand them to `accept_move` when the transaction stands.
        """
        do = self._connection.execute
        (last,) = do(
            "SELECT max(seq) FROM (SELECT seq FROM inbox WHERE seq > ? ORDER BY seq LIMIT ?)", (self._settled, rows)
        ).fetchone()
        places: list[tuple[int, int]] = []
        if last is not None:
            span = (self._settled, last)
            self._part_clashes(*span)
            places = do("SELECT series, time_ms FROM inbox WHERE seq > ? AND seq <= ?", span).fetchall()
            do(
                """INSERT INTO reading (series, time_ms, value) SELECT series, time_ms, value FROM inbox
                   WHERE seq > ? AND seq <= ? ORDER BY series, time_ms""",
                span,
            )
            rollups.add(self._connection, *span)
            do("UPDATE mark SET value = ? WHERE name = 'settled_seq'", (last,))
        return places

    def let_go(self, keep_after_seq: int | None) -> None:
        """Drop from the inbox what was moved, but for what came after `keep_after_seq`. In a transaction."""
        ask = self._connection.execute
        (free,) = ask("SELECT value FROM mark WHERE name = 'settled_seq'").fetchone()
        if keep_after_seq is not None:
            free = min(free, keep_after_seq)
        needed = memory.first_needed(self._connection)
        if needed is not None and needed <= free:
            if free - needed < _KEPT_FOR_DELIVERIES:
                free = needed - 1  # cheaper than writing their deliveries once more elsewhere
            else:
                memory.keep(self._connection, free)
        ask("DELETE FROM inbox WHERE seq <= ?", (free,))

    def _part_clashes(self, after_seq: int, upto_seq: int) -> None:
        # `plan` lets no two readings share a place. Were it ever wrong, the move must not fail for good.
        clashes = self._connection.execute(
            """SELECT i.seq, i.series, i.time_ms, i.value FROM inbox i JOIN reading r ON r.series = i.series
               AND r.time_ms = i.time_ms WHERE i.seq > ? AND i.seq <= ?""",
            (after_seq, upto_seq),
        ).fetchall()
        for seq, series, time_ms, value in clashes:
            place = self._place(Intake(), series, time_ms, value, False)
            self._connection.execute("UPDATE inbox SET time_ms = ? WHERE seq = ?", (place, seq))

    def accept_move(self, places: Iterable[tuple[int, int]]) -> None:
        """The move stands: forget what was only needed while it was in the inbox."""
        (settled,) = self._connection.execute("SELECT value FROM mark WHERE name = 'settled_seq'").fetchone()
        self._settled = int(settled)
        for series, time_ms in places:
            taken = self._taken.get(series, {})
            taken.pop(time_ms, None)
            if not taken:
                self._taken.pop(series, None)
