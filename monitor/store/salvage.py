"""What can still be read out of a damaged store that was set aside.

Rules of this file: the damaged file is only read, and every error of it ends one question, never the daemon. Only what is
newer than the store that took its place is looked for: readings, journal, decisions, and the engine's last state, whose own
check sum says whether it is whole.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.store.connection import open_reader
from monitor.store.failures import UNREADABLE
from monitor.store.inbox import EARLIEST_MS, LATEST_MS
from monitor.store.memory import Remembered, take_in, the_last

# A store that begins anew is not held up by years of readings: the file stays for whoever wants them all.
MOST_DAYS = 8
MOST_UNACKNOWLEDGED = 200  # by a broker: its receive maximum, as shipped
_DAY_MS = 86_400_000


@dataclass(slots=True)
class Salvaged:
    readings: list[tuple[str, int, float]] = field(default_factory=list)  # series, ms since 1970, value
    rows: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)  # of journal, decision and outbox, with their numbers
    saved: tuple[Any, ...] | None = None  # the columns of `SAVED`
    # Readings that wait for their clock, by the name of their series, and the clocks that have become known; all or none.
    waiting: list[tuple[int, int, str, int, float, int]] | None = None
    placements: list[tuple[int, int, int]] = field(default_factory=list)
    # Without these, what the broker sends again would be stored beside the readings that were read out here.
    deliveries: list[Remembered] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.readings or any(self.rows.values()) or self.saved or self.waiting)

    @property
    def words(self) -> str:
        """What there is, for the sentence on what was lost."""
        journal, decisions = len(self.rows.get("journal", ())), len(self.rows.get("decision", ()))
        state = ", and the last state" if self.saved else ""
        readings = len(self.readings) + len(self.waiting or ())
        return f"{readings} readings, {journal} lines of the journal, {decisions} decisions{state}"


SAVED = ("at", "wall_ms", "segment", "boot_id", "boottime_s", "state")


def salvage(damaged: Path, newest_ms: Mapping[str, int], last_ids: Mapping[str, int]) -> Salvaged:
    """Read out what is newer than the store in its place.

    Args:
        damaged: the file set aside, with its log beside it.
        newest_ms: the newest reading there is, by series.
        last_ids: the last number there is, of "journal", "decision" and "outbox".
    """
    found = Salvaged()
    with suppress(*UNREADABLE, OSError), closing(open_reader(damaged)) as connection:
        inbox = _inbox(connection)
        for series, name in _rows(connection, "SELECT id, name FROM series", ()):
            if not isinstance(name, str):
                continue  # a page that is none of this table's any more
            after = newest_ms.get(name, -1)
            asked = "SELECT time_ms, value FROM reading WHERE series = ? AND time_ms > ?"
            rows = _from_both_ends(connection, asked, (series, after), "time_ms")
            arrived = {(time_ms, value) for _, of, time_ms, value, _ in inbox if of == series}
            found.readings += [
                (name, time_ms, value) for time_ms, value in rows | arrived if _is_reading(time_ms, value) and time_ms > after
            ]
        for table, last in last_ids.items():
            asked = f"SELECT * FROM {table} WHERE id > ?"  # noqa: S608 — two names
            found.rows[table] = sorted(_from_both_ends(connection, asked, (last,), "id"))
        with suppress(*UNREADABLE):
            found.placements = connection.execute("SELECT segment, upto, offset_ms FROM placement").fetchall()
            found.waiting = connection.execute(
                "SELECT segment, n, s.name, at_ms, value, own_time FROM waiting JOIN series s ON s.id = series"
            ).fetchall()
        found.deliveries = _deliveries(connection, [packed for *_, packed in inbox])
        for row in _rows(connection, f"SELECT {', '.join(SAVED)} FROM saved", ()):  # noqa: S608 — constants
            with suppress(zlib.error, TypeError):
                zlib.decompressobj().decompress(row[-1])
                found.saved = row
    _leave_the_old(found)
    return found


def _is_reading(time_ms: object, value: object) -> bool:
    return isinstance(time_ms, int) and EARLIEST_MS <= time_ms < LATEST_MS and isinstance(value, int | float)


def _inbox(connection: sqlite3.Connection) -> list[tuple[Any, ...]]:
    """Arrivals in front of a hole and behind it, by their number: sorted by anything else, one hole would bar the way to all.

    Of the batch that a hole cuts short only the end knew the deliveries. If the broker has them unacknowledged, it sends
    these readings again and nothing would tell: they are left to it, rather than stored twice.
    """
    asked = "SELECT seq, series, time_ms, value, deliveries FROM inbox ORDER BY seq"
    front, back = list(_rows(connection, asked, ())), list(_rows(connection, f"{asked} DESC", ()))
    if front[-1:] != back[:1]:
        end = len(front)
        while front and front[-1][-1] is None and end - len(front) < MOST_UNACKNOWLEDGED:
            front.pop()
    return list({row[0]: row for row in (*front, *back)}.values())


def _deliveries(connection: sqlite3.Connection, beside: Sequence[object]) -> list[Remembered]:
    """What was remembered in the ring and beside the readings: a hole in the one takes nothing of the other."""
    asked = "SELECT slot, packet_id, digest, number FROM delivery WHERE slot >= ?"
    ring = _from_both_ends(connection, asked, (0,), "slot")
    whole = [
        Remembered(packet_id, digest, number)
        for _, packet_id, digest, number in ring
        if isinstance(packet_id, int) and isinstance(digest, bytes) and isinstance(number, int)
    ]
    return the_last(whole, [packed for packed in beside if isinstance(packed, bytes)])


def put_in(connection: sqlite3.Connection, found: Salvaged) -> None:
    """All but the readings, into the store in the damaged one's place. In the caller's transaction."""
    for table, rows in found.rows.items():
        for row in rows:
            marks = ", ".join("?" * len(row))
            connection.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)  # noqa: S608 — two names
    take_in(connection, found.deliveries)
    if found.waiting is not None:
        _put_in_waiting(connection, found.waiting, found.placements)
    if found.saved is not None:
        connection.execute("INSERT OR IGNORE INTO saved VALUES (1, 0, 0, NULL, 1, '', 0, 0, NULL)")
        names = ", ".join(f"{name} = ?" for name in SAVED)
        connection.execute(f"UPDATE saved SET clean = 0, {names}", found.saved)  # noqa: S608 — constants


def _put_in_waiting(
    connection: sqlite3.Connection, waiting: Sequence[tuple[Any, ...]], placements: Sequence[tuple[int, int, int]]
) -> None:
    """In the place of the backup's own, of which some have become dated since."""
    connection.execute("DELETE FROM waiting")
    connection.execute("DELETE FROM placement")
    for name in sorted({row[2] for row in waiting}):
        connection.execute("INSERT OR IGNORE INTO series (id, name) SELECT coalesce(max(id), 0) + 1, ? FROM series", (name,))
    ids: dict[str, int] = dict(connection.execute("SELECT name, id FROM series").fetchall())
    connection.executemany(
        "INSERT INTO waiting (segment, n, series, at_ms, value, own_time) VALUES (?, ?, ?, ?, ?, ?)",
        [(segment, n, ids[name], at_ms, value, own) for segment, n, name, at_ms, value, own in waiting],
    )
    connection.executemany("INSERT INTO placement (segment, upto, offset_ms) VALUES (?, ?, ?)", placements)


def _leave_the_old(found: Salvaged) -> None:
    """Each reading once, in order of time, and none older than some days before the last."""
    end = max((time_ms for _, time_ms, _ in found.readings), default=0)
    kept = {row for row in found.readings if row[1] > end - MOST_DAYS * _DAY_MS}
    found.readings = sorted(kept, key=lambda row: (row[1], row[0]))


def _rows(connection: sqlite3.Connection, asked: str, given: Sequence[object]) -> Iterator[tuple[Any, ...]]:
    """Rows until the first that cannot be read."""
    with suppress(*UNREADABLE):
        yield from connection.execute(asked, given)


def _from_both_ends(connection: sqlite3.Connection, asked: str, given: Sequence[object], by: str) -> set[tuple[Any, ...]]:
    """Rows in front of a hole and behind it."""
    rows = set(_rows(connection, f"{asked} ORDER BY {by}", given))
    return rows | set(_rows(connection, f"{asked} ORDER BY {by} DESC", given))
