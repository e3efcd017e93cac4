"""The tables, and how a store of an earlier version becomes one of this version.

Rules of this file: a step, once released, is never changed; a change is a new step at the end.
`PRAGMA user_version` counts the steps done. All times ending in `_ms` are milliseconds since 1970 UTC,
but `at_ms`: milliseconds of the engine's own timeline (elapsed time, goes on across restarts).
A `segment` is a stretch of that timeline without a gap of unknown length.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence

from monitor.store.connection import transaction
from monitor.store.failures import StoreCorrupt, StoreNewer

# Stands in the file's header, so that another program's database is not taken for ours ("straw" in hex, 31 bits).
APPLICATION_ID = 0x73747277

_FIRST = (
    # Names to small numbers: a reading then needs 1 byte instead of the whole name.
    "CREATE TABLE series (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    # Readings as they arrive; appended only, so that a commit touches one page however many sensors there are.
    # The deliveries of a batch stand with its last reading, packed, and move to `delivery` with it.
    """CREATE TABLE inbox (seq INTEGER PRIMARY KEY, series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL,
       deliveries BLOB)""",
    # Readings taken while the wall clock was not trusted.
    """CREATE TABLE waiting (segment INTEGER NOT NULL, n INTEGER NOT NULL, series INTEGER NOT NULL, at_ms INTEGER NOT NULL,
       value REAL NOT NULL, own_time INTEGER NOT NULL, PRIMARY KEY (segment, n)) WITHOUT ROWID""",
    # The clock of a segment became known: its waiting readings up to `upto` are to be dated by `offset_ms`.
    """CREATE TABLE placement (segment INTEGER NOT NULL, upto INTEGER NOT NULL, offset_ms INTEGER NOT NULL,
       PRIMARY KEY (segment, upto)) WITHOUT ROWID""",
    """CREATE TABLE reading (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL,
       PRIMARY KEY (series, time_ms)) WITHOUT ROWID""",
    """CREATE TABLE ten_minutes (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, n INTEGER NOT NULL, low REAL NOT NULL,
       high REAL NOT NULL, total REAL NOT NULL, PRIMARY KEY (series, time_ms)) WITHOUT ROWID""",
    """CREATE TABLE hour (series INTEGER NOT NULL, time_ms INTEGER NOT NULL, n INTEGER NOT NULL, low REAL NOT NULL,
       high REAL NOT NULL, total REAL NOT NULL, PRIMARY KEY (series, time_ms)) WITHOUT ROWID""",
    # settled_seq: readings of the inbox up to here are in `reading` too. raw_from_ms: older ones only as roll-ups.
    "CREATE TABLE mark (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID",
    """CREATE VIEW dated AS SELECT series, time_ms, value FROM reading UNION ALL SELECT series, time_ms, value FROM inbox
       WHERE seq > (SELECT value FROM mark WHERE name = 'settled_seq')""",
    "INSERT INTO mark VALUES ('settled_seq', 0), ('raw_from_ms', 0)",
    # The last deliveries, in a ring, for knowing a redelivered one.
    """CREATE TABLE delivery (slot INTEGER PRIMARY KEY, number INTEGER NOT NULL, packet_id INTEGER NOT NULL,
       digest BLOB NOT NULL)""",
    """CREATE TABLE decision (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, pen TEXT NOT NULL,
       segment INTEGER NOT NULL, at_ms INTEGER NOT NULL, time_ms INTEGER, key TEXT NOT NULL, what TEXT NOT NULL,
       subject TEXT NOT NULL, former TEXT NOT NULL, state TEXT NOT NULL, priority TEXT NOT NULL, occurrence INTEGER NOT NULL,
       speed_pct REAL, reason TEXT NOT NULL, by_whom TEXT NOT NULL, evidence TEXT NOT NULL)""",
    "CREATE INDEX decision_by_pen ON decision (pen, kind, time_ms)",
    "CREATE INDEX decision_by_alarm ON decision (key, id) WHERE kind = 'alarm'",
    "CREATE INDEX decision_undated ON decision (segment) WHERE time_ms IS NULL",
    """CREATE TABLE journal (id INTEGER PRIMARY KEY AUTOINCREMENT, pen TEXT NOT NULL, segment INTEGER NOT NULL,
       at_ms INTEGER NOT NULL, time_ms INTEGER, what TEXT NOT NULL, by_whom TEXT NOT NULL, flock TEXT, count INTEGER,
       note TEXT NOT NULL)""",
    "CREATE INDEX journal_by_time ON journal (time_ms)",
    """CREATE TABLE outbox (id INTEGER PRIMARY KEY AUTOINCREMENT, key TEXT NOT NULL UNIQUE, occurrence INTEGER NOT NULL,
       alarm TEXT NOT NULL, kind TEXT NOT NULL, person TEXT NOT NULL, channel INTEGER NOT NULL, priority TEXT NOT NULL,
       title TEXT NOT NULL, body TEXT NOT NULL, due_at REAL NOT NULL, stale_after REAL NOT NULL, status TEXT NOT NULL,
       attempts INTEGER NOT NULL DEFAULT 0, next_try_at REAL NOT NULL, changed_at REAL, answer TEXT NOT NULL DEFAULT '')""",
    "CREATE INDEX outbox_open ON outbox (status, next_try_at) WHERE status IN ('waiting', 'sending')",
    """CREATE TABLE attempt (id INTEGER PRIMARY KEY AUTOINCREMENT, key TEXT NOT NULL, channel INTEGER NOT NULL, at REAL NOT NULL,
       result TEXT NOT NULL, answer TEXT NOT NULL)""",
    "CREATE INDEX attempt_by_key ON attempt (key)",
    # What the engine remembers; compressed, for it is written with every commit.
    """CREATE TABLE saved (id INTEGER PRIMARY KEY CHECK (id = 1), commits INTEGER NOT NULL, at REAL NOT NULL, wall_ms INTEGER,
       segment INTEGER NOT NULL, boot_id TEXT NOT NULL, boottime_s REAL NOT NULL, clean INTEGER NOT NULL, state BLOB)""",
)

_MIRROR = (
    # How far the mirror has come, see mirror_course.Cursor; a row only while there is a mirror.
    """CREATE TABLE mirror (id INTEGER PRIMARY KEY CHECK (id = 1), seq INTEGER NOT NULL, decision INTEGER NOT NULL,
       journal INTEGER NOT NULL, history_series INTEGER, history_ms INTEGER NOT NULL)""",
    "CREATE TABLE set_aside (id INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL, answer TEXT NOT NULL)",
)

_MIRROR_HOURS = ("ALTER TABLE mirror ADD COLUMN hour_ms INTEGER NOT NULL DEFAULT 0",)

_FAN_SUMS = (
    # How long a fan was told to run in ten minutes, for each reason, where its commands have grown old, see fan_sums.
    """CREATE TABLE fan_ten_minutes (pen TEXT NOT NULL, time_ms INTEGER NOT NULL, reason TEXT NOT NULL,
       running_ms INTEGER NOT NULL, load_ms INTEGER NOT NULL, PRIMARY KEY (pen, time_ms, reason)) WITHOUT ROWID""",
)

STEPS: tuple[tuple[str, ...], ...] = (_FIRST, _MIRROR, _MIRROR_HOURS, _FAN_SUMS)


def version(connection: sqlite3.Connection) -> int:
    """How many steps this file has gone through; 0 for an empty one."""
    (steps,) = connection.execute("PRAGMA user_version").fetchone()
    return int(steps)


def check_owner(connection: sqlite3.Connection, where: str) -> None:
    """Raises `StoreCorrupt` when the file holds something else, `StoreNewer` when a later program wrote it."""
    steps = version(connection)
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if owner != APPLICATION_ID and (tables or steps or owner):
        raise StoreCorrupt(f"{where} is a database, but not a store of readings.", "Name another folder or file.")
    if steps > len(STEPS):
        raise StoreNewer(
            f"{where} has format {steps}, this program knows formats up to {len(STEPS)}.",
            "Install the later version again, or restore the backup made before its update.",
        )


def migrate(
    connection: sqlite3.Connection,
    where: str,
    before: Callable[[int], None] = lambda _steps: None,
    steps: Sequence[Sequence[str]] = STEPS,
) -> int:
    """Bring the file to the newest version, each step in a transaction of its own.

    `before` is called with the version found, ahead of the first change to a store that holds something.
    Returns the version found.
    """
    check_owner(connection, where)
    found = version(connection)
    if 0 < found < len(steps):
        before(found)
    for number in range(found, len(steps)):
        with transaction(connection, at_once=True):
            for statement in steps[number]:
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {number + 1}")
    return found
