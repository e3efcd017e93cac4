"""Ten-minute and hourly roll-ups: count, lowest, highest and total of each series.

Rules of this file: a roll-up covers what is in `reading`; the inbox (at most an hour of readings) is
folded in when it is read. So roll-ups are always up to date, and a commit need not touch a page for each
sensor. Raw readings may be dropped with age; roll-ups stay.
"""

from __future__ import annotations

import sqlite3

TEN_MINUTES_MS = 600_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000

TABLES = (("ten_minutes", TEN_MINUTES_MS), ("hour", HOUR_MS))


def add(connection: sqlite3.Connection, after_seq: int, upto_seq: int) -> None:
    """Add these arrivals to both roll-ups, inside the transaction that moves them."""
    for table, width_ms in TABLES:
        connection.execute(
            f"""INSERT INTO {table} (series, time_ms, n, low, high, total)
                SELECT series, time_ms / {width_ms} * {width_ms} AS start, count(*), min(value), max(value), sum(value)
                FROM inbox WHERE seq > ? AND seq <= ? GROUP BY series, start ORDER BY series, start
                ON CONFLICT (series, time_ms) DO UPDATE SET n = n + excluded.n, low = min(low, excluded.low),
                high = max(high, excluded.high), total = total + excluded.total""",  # noqa: S608 — both names stand above
            (after_seq, upto_seq),
        )


def mend(connection: sqlite3.Connection, from_ms: int, to_ms: int) -> int:
    """Compare the roll-ups of whole hours with the raw readings and rewrite those that differ.

    The span must hold raw readings; it is widened to whole hours. In the caller's transaction.

    Returns:
        How many roll-ups were wrong; 0 is the only usual answer.
    """
    start, end = from_ms // HOUR_MS * HOUR_MS, -(-to_ms // HOUR_MS) * HOUR_MS
    wrong = 0
    for table, width_ms in TABLES:
        truth = {
            (series, time_ms): (n, low, high, total)
            for series, time_ms, n, low, high, total in connection.execute(
                f"""SELECT series, time_ms / {width_ms} * {width_ms} AS start, count(*), min(value), max(value), sum(value)
                    FROM reading WHERE series IN (SELECT id FROM series) AND time_ms >= ? AND time_ms < ?
                    GROUP BY series, start""",  # noqa: S608 — both names stand above
                (start, end),
            )
        }
        kept = {
            (series, time_ms): (n, low, high, total)
            for series, time_ms, n, low, high, total in connection.execute(
                f"""SELECT series, time_ms, n, low, high, total FROM {table}
                    WHERE series IN (SELECT id FROM series) AND time_ms >= ? AND time_ms < ?""",  # noqa: S608 — see above
                (start, end),
            )
        }
        for place in truth.keys() | kept.keys():
            if place in truth and place in kept and _agree(truth[place], kept[place]):
                continue
            wrong += 1
            connection.execute(f"DELETE FROM {table} WHERE series = ? AND time_ms = ?", place)  # noqa: S608 — see above
            if place in truth:
                put = f"INSERT INTO {table} (series, time_ms, n, low, high, total) VALUES (?, ?, ?, ?, ?, ?)"  # noqa: S608
                connection.execute(put, (*place, *truth[place]))
    return wrong


def _agree(one: tuple[int, float, float, float], other: tuple[int, float, float, float]) -> bool:
    # Totals are summed in another order, so their last digits may differ.
    slack = 1e-9 * one[0] * max(abs(one[1]), abs(one[2]), 1.0)
    return one[:3] == other[:3] and abs(one[3] - other[3]) <= slack
