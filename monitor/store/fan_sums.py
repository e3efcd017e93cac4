"""What stays of a fan's commands as they grow old: for each ten minutes, how long it was told to run, and why.

Rules of this file: a pen's minimum timer makes a hundred thousand commands a year, each with its evidence, 40 MB of them. What
the numbers were at 03:10 nobody asks after eight weeks; how long the fan ran, the review of the litter asks for a year. So
commands of that age become sums, and whoever asks for commands of that time gets, for each sum, one run of that length at
the head of its ten minutes. Sums stay for good, 2 MB a year.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from monitor.store.decisions import Decision
from monitor.store.rollups import DAY_MS, HOUR_MS, TEN_MINUTES_MS

COMMAND_DAYS = 56
NOTE = f"summed over ten minutes: commands are kept for {COMMAND_DAYS} days"

_MARK = "fan_from_ms"
_PENS = "(SELECT DISTINCT pen FROM decision)"


def sum_up_old(connection: sqlite3.Connection, now_ms: int | None, raw_days: int, mirrored: int | None) -> None:
    """Turn old commands into sums, a day of them at a time, once a whole day is old. In the caller's transaction.

    Args:
        now_ms: the trusted time, or None: then nothing changes.
        raw_days: 0 keeps every command.
        mirrored: number of the last decision the mirror has; None when there is no mirror.
    """
    if now_ms is None or raw_days <= 0:
        return
    start = mark(connection)
    if start is None:
        asked = f"SELECT min(time_ms) FROM decision WHERE pen IN {_PENS} AND kind = 'fan'"  # noqa: S608 — a constant
        (oldest,) = connection.execute(asked).fetchone()
        if oldest is None:
            return
        start = oldest // HOUR_MS * HOUR_MS
    end = min((now_ms - COMMAND_DAYS * DAY_MS) // HOUR_MS * HOUR_MS, start + DAY_MS)
    if end < start + DAY_MS or not _has_all(connection, end, mirrored):
        return
    for (pen,) in connection.execute("SELECT DISTINCT pen FROM decision WHERE kind = 'fan'").fetchall():
        _sum_up(connection, pen, start, end)
    connection.execute("INSERT OR REPLACE INTO mark VALUES (?, ?)", (_MARK, end))


def mark(connection: sqlite3.Connection) -> int | None:
    """Commands before this time are sums; None while none are."""
    row = connection.execute("SELECT value FROM mark WHERE name = ?", (_MARK,)).fetchone()
    return None if row is None else int(row[0])


def _has_all(connection: sqlite3.Connection, end: int, mirrored: int | None) -> bool:
    if mirrored is None:
        return True
    asked = f"SELECT max(id) FROM decision WHERE pen IN {_PENS} AND kind = 'fan' AND time_ms < ?"  # noqa: S608 — a constant
    (last,) = connection.execute(asked, (end,)).fetchone()
    return last is None or last <= mirrored


def _sum_up(connection: sqlite3.Connection, pen: str, start: int, end: int) -> None:
    sums: dict[tuple[int, str], list[float]] = {}
    for begin, stop, reason, speed_pct in _runs(connection, pen, start, end):
        while begin < stop:
            stretch = begin // TEN_MINUTES_MS * TEN_MINUTES_MS
            edge = min(stop, stretch + TEN_MINUTES_MS)
            held = sums.setdefault((stretch, reason), [0.0, 0.0])
            held[0] += edge - begin
            held[1] += (edge - begin) * (1.0 if speed_pct is None else speed_pct / 100.0)
            begin = edge
    connection.executemany(
        "INSERT OR REPLACE INTO fan_ten_minutes VALUES (?, ?, ?, ?, ?)",
        [(pen, time_ms, reason, round(running), round(load)) for (time_ms, reason), (running, load) in sums.items()],
    )
    # The last command before the end stays: what follows is counted from it.
    connection.execute(
        """DELETE FROM decision WHERE pen = ?1 AND kind = 'fan' AND time_ms < ?2 AND id <> (SELECT id FROM decision
           WHERE pen = ?1 AND kind = 'fan' AND time_ms < ?2 ORDER BY time_ms DESC, id DESC LIMIT 1)""",
        (pen, end),
    )


def _runs(connection: sqlite3.Connection, pen: str, start: int, end: int) -> Iterator[tuple[int, int, str, float | None]]:
    """Begin, end, reason and speed of each run inside a span, from the commands. The last one before it counts from its start."""
    before = connection.execute(
        """SELECT state, reason, speed_pct FROM decision WHERE pen = ? AND kind = 'fan' AND time_ms < ?
           ORDER BY time_ms DESC, id DESC LIMIT 1""",
        (pen, start),
    ).fetchone()
    state, reason, speed_pct = before or ("resting", "", None)
    since = start
    for time_ms, *told in connection.execute(
        """SELECT time_ms, state, reason, speed_pct FROM decision WHERE pen = ? AND kind = 'fan' AND time_ms >= ? AND time_ms < ?
           ORDER BY time_ms, id""",
        (pen, start, end),
    ):
        if state == "running":
            yield since, time_ms, reason, speed_pct
        since, (state, reason, speed_pct) = time_ms, told
    if state == "running" and since < end:
        yield since, end, reason, speed_pct


def fan_seconds(connection: sqlite3.Connection, pen: str, from_ms: int, to_ms: int) -> float:
    """How long this pen's fan was told to run between two times, s.

    The last command before `from_ms` counts from there, the last one before `to_ms` until there: ask for
    no time to come. While the daemon is down its last command is taken to stand. Where the commands have
    become sums, a part of ten minutes counts in proportion.
    """
    split = min(max(from_ms, mark(connection) or from_ms), to_ms)
    total_ms = 0.0
    for time_ms, running_ms in connection.execute(
        "SELECT time_ms, running_ms FROM fan_ten_minutes WHERE pen = ? AND time_ms > ? AND time_ms < ?",
        (pen, from_ms - TEN_MINUTES_MS, split),
    ):
        inside = min(time_ms + TEN_MINUTES_MS, split) - max(time_ms, from_ms)
        total_ms += running_ms * inside / TEN_MINUTES_MS
    if split < to_ms:
        total_ms += sum(stop - begin for begin, stop, _, _ in _runs(connection, pen, split, to_ms))
    return total_ms / 1000.0


def fan_seconds_each(connection: sqlite3.Connection, pen: str, from_ms: int, to_ms: int, steps: int) -> list[float]:
    """As `fan_seconds`, for each of so many equal steps of the span, s; a year of them in one go.

    Where the commands have become sums, ten minutes count in the step they begin in: ask for steps of hours.
    """
    step_ms = (to_ms - from_ms) / steps
    ran_ms = [0.0] * steps
    split = min(max(from_ms, mark(connection) or from_ms), to_ms)
    for step, running_ms in connection.execute(
        """SELECT CAST((time_ms - ?2) / ?3 AS INTEGER), sum(running_ms) FROM fan_ten_minutes
           WHERE pen = ?1 AND time_ms >= ?2 AND time_ms < ?4 GROUP BY 1""",
        (pen, from_ms, step_ms, split),
    ):
        ran_ms[min(step, steps - 1)] += running_ms
    # Runs within one step are summed by the store; those across an edge are few, and are shared out here.
    across = _standing(connection, pen, split, to_ms)
    for first, last, begin, stop, total in connection.execute(
        """WITH told AS (SELECT time_ms, state, lead(time_ms, 1, ?4) OVER (ORDER BY time_ms, id) AS until FROM decision
             WHERE pen = ?1 AND kind = 'fan' AND time_ms >= ?5 AND time_ms < ?4),
           ran AS (SELECT time_ms, until, CAST((time_ms - ?2) / ?3 AS INTEGER) AS first,
             CAST((until - 1 - ?2) / ?3 AS INTEGER) AS last FROM told WHERE state = 'running' AND until > time_ms)
           SELECT first, last, min(time_ms), max(until), sum(until - time_ms) FROM ran WHERE first = last GROUP BY first
           UNION ALL SELECT first, last, time_ms, until, until - time_ms FROM ran WHERE first < last""",
        (pen, from_ms, step_ms, to_ms, split),
    ):
        if first == last:
            ran_ms[min(first, steps - 1)] += total
        else:
            across.append((begin, stop))
    for begin, stop in across:
        at = begin
        while at < stop:
            step = min(int((at - from_ms) / step_ms), steps - 1)
            edge = stop if step == steps - 1 else min(stop, max(at + 1, round(from_ms + (step + 1) * step_ms)))
            ran_ms[step] += edge - at
            at = edge
    return [each / 1000.0 for each in ran_ms]


def _standing(connection: sqlite3.Connection, pen: str, split: int, to_ms: int) -> list[tuple[int, int]]:
    """The run that stood when the span began, if there is one, up to the next command."""
    before = connection.execute(
        """SELECT state FROM decision WHERE pen = ? AND kind = 'fan' AND time_ms < ?
           ORDER BY time_ms DESC, id DESC LIMIT 1""",
        (pen, split),
    ).fetchone()
    if before is None or before[0] != "running" or split >= to_ms:
        return []
    (next_ms,) = connection.execute(
        "SELECT min(time_ms) FROM decision WHERE pen = ? AND kind = 'fan' AND time_ms >= ? AND time_ms < ?", (pen, split, to_ms)
    ).fetchone()
    stop = to_ms if next_ms is None else next_ms
    return [(split, stop)] if stop > split else []


def with_sums(
    connection: sqlite3.Connection, found: list[Decision], pen: str | None, from_ms: int | None, to_ms: int | None
) -> list[Decision]:
    """Decisions of a span, oldest first, with the sums of its old part in the shape of commands."""
    upto = mark(connection)
    if upto is None or (from_ms is not None and from_ms >= upto):
        return found
    start, end = -(2**62) if from_ms is None else from_ms, 2**62 if to_ms is None else to_ms
    rows = connection.execute(
        """SELECT pen, time_ms, reason, running_ms, load_ms FROM fan_ten_minutes WHERE pen IN
           (SELECT DISTINCT pen FROM fan_ten_minutes) AND (?1 IS NULL OR pen = ?1) AND time_ms >= ?2 AND time_ms < ?3
           ORDER BY pen, time_ms, reason""",
        (pen, start, end),
    ).fetchall()
    told = [one for one in found if one.kind != "fan" or (one.time_ms or 0) >= upto]
    free_ms: dict[str, int] = {}
    for of_pen, time_ms, reason, running_ms, load_ms in rows:
        begin = max(time_ms, free_ms.get(of_pen, time_ms))
        free_ms[of_pen] = begin + running_ms
        speed_pct = None if load_ms == running_ms else 100.0 * load_ms / running_ms
        told.append(_command(of_pen, begin, "running", speed_pct, reason))
        told.append(_command(of_pen, begin + running_ms, "resting", None, reason))
    if upto < end:
        told += _carried(connection, upto, pen)
    return sorted(told, key=lambda one: one.time_ms or 0)


def _carried(connection: sqlite3.Connection, upto: int, pen: str | None) -> Iterator[Decision]:
    """A run that goes on where the sums end."""
    for (name,) in connection.execute("SELECT DISTINCT pen FROM fan_ten_minutes WHERE ?1 IS NULL OR pen = ?1", (pen,)).fetchall():
        row = connection.execute(
            """SELECT state, reason, speed_pct FROM decision WHERE pen = ? AND kind = 'fan' AND time_ms < ?
               ORDER BY time_ms DESC, id DESC LIMIT 1""",
            (name, upto),
        ).fetchone()
        if row is not None and row[0] == "running":
            yield _command(name, upto, "running", row[2], row[1])


def _command(pen: str, time_ms: int, state: str, speed_pct: float | None, reason: str) -> Decision:
    return Decision(
        id=0,
        kind="fan",
        pen=pen,
        at=0.0,
        time_ms=time_ms,
        key="",
        what="fan",
        subject="",
        former="",
        state=state,
        priority="",
        occurrence=0,
        speed_pct=speed_pct,
        reason=reason,
        by="",
        evidence={"note": NOTE},
    )
