"""Dropping raw readings by age; their roll-ups stay for good."""

from __future__ import annotations

import sqlite3

from monitor.store.rollups import DAY_MS, HOUR_MS

# In one call at most this stretch is dropped, however old the readings are said to be: a wall clock that is
# wrong by years, and trusted all the same, then costs a day an hour, not everything at once.
LONGEST_STRETCH_MS = DAY_MS


def drop_old(connection: sqlite3.Connection, now_ms: int | None, raw_days: int, rows: int, beside_move: bool) -> int:
    """Drop raw readings older than `raw_days` before `now_ms`, whole hours, about `rows` of them at most.

    Only once a whole day of them is that old, and then beside a move of arrivals, which touches pages of every series and
    brings the log into the file as this does; without a move once it is two days. In the caller's transaction. Nothing is
    dropped without a trusted time, or with raw_days 0. Returns how many.
    """
    if now_ms is None or raw_days <= 0:
        return 0
    (raw_from_ms,) = connection.execute("SELECT value FROM mark WHERE name = 'raw_from_ms'").fetchone()
    (oldest,) = connection.execute(
        "SELECT min(time_ms) FROM (SELECT (SELECT min(time_ms) FROM reading WHERE series = s.id) AS time_ms FROM series s)"
    ).fetchone()
    if oldest is None:
        return 0
    floor = (now_ms - raw_days * DAY_MS) // HOUR_MS * HOUR_MS
    end = min(floor, oldest // HOUR_MS * HOUR_MS + LONGEST_STRETCH_MS)
    if end <= oldest or floor - oldest // HOUR_MS * HOUR_MS < (1 if beside_move else 2) * DAY_MS:
        return 0
    dropped, start = 0, oldest // HOUR_MS * HOUR_MS
    while start < end and dropped < rows:
        start += HOUR_MS
        dropped += connection.execute(
            "DELETE FROM reading WHERE series IN (SELECT id FROM series) AND time_ms < ?", (start,)
        ).rowcount
    connection.execute("UPDATE mark SET value = ? WHERE name = 'raw_from_ms'", (max(raw_from_ms, start),))
    return dropped
