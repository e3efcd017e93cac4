"""What the keeper did, as written down."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.engine.events import JournalEntry


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One stored entry and its number."""

    id: int
    entry: JournalEntry


_COLUMNS = "id, pen, at_ms, time_ms, what, by_whom, flock, count, note"


def write(connection: sqlite3.Connection, entries: Iterable[JournalEntry], segment: int) -> None:
    """Store entries, inside the caller's transaction; what was done earlier stands at the time it was done."""
    connection.executemany(
        """INSERT INTO journal (pen, segment, at_ms, time_ms, what, by_whom, flock, count, note)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        [(e.pen, segment, round(e.at * 1000), _dated(e), e.what, e.by, e.flock, e.count, e.note) for e in entries],
    )


def _dated(entry: JournalEntry) -> int | None:
    return entry.wall_ms if entry.done_ms is None else entry.done_ms


def between(connection: sqlite3.Connection, pen: str | None, from_ms: int | None, to_ms: int | None) -> list[JournalRow]:
    """Entries from `from_ms` up to before `to_ms`, oldest first; without limits, also those not dated yet, last."""
    asked = f"SELECT {_COLUMNS} FROM journal WHERE (?1 IS NULL OR pen = ?1)"  # noqa: S608 — a constant
    if from_ms is None and to_ms is None:
        rows = connection.execute(f"{asked} ORDER BY time_ms IS NULL, time_ms, id", (pen,))
    else:
        span = (pen, -(2**62) if from_ms is None else from_ms, 2**62 if to_ms is None else to_ms)
        rows = connection.execute(f"{asked} AND time_ms >= ?2 AND time_ms < ?3 ORDER BY time_ms, id", span)
    return [_read(row) for row in rows]


def after(connection: sqlite3.Connection, number: int, limit: int) -> Iterator[JournalRow]:
    """Entries in the order they were written, after the one with this number."""
    asked = f"SELECT {_COLUMNS} FROM journal WHERE id > ? ORDER BY id LIMIT ?"  # noqa: S608 — a constant
    return map(_read, connection.execute(asked, (number, limit)))


def _read(row: Sequence[Any]) -> JournalRow:
    number, pen, at_ms, time_ms, what, by, flock, count, note = row
    return JournalRow(number, JournalEntry(at_ms / 1000, time_ms, pen, what, by, flock, count, note))
