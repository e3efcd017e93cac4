"""Notices on their way to people: rows that outlive a kill, and what became of each.

Rules of this file: a notice is written in the transaction of the alarm it tells of; its key is unique, and
writing the same key again changes nothing. A row is `waiting`, then `sending` (on the disk before anything
is handed over), then `sent`, `given up` or `folded` into a summary; a failed attempt makes it wait again.
Times are elapsed seconds of the engine's timeline.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass

from monitor.engine.connections import Notice
from monitor.engine.specification import Priority

# Finished notices kept for looking back; older ones are dropped by `tidy`.
KEPT_ROWS = 5_000


@dataclass(frozen=True, slots=True)
class Row:
    """One notice and what became of it. `status`: waiting, sending, sent, given up, folded."""

    notice: Notice
    status: str
    attempts: int
    next_try_at: float
    changed_at: float | None  # elapsed seconds of the last change of status
    answer: str  # the provider's last, or why it was given up

    @property
    def key(self) -> str:
        return self.notice.key


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try by one channel. `result`: "sent", "failed" or "given up"."""

    key: str
    channel: int
    at: float
    result: str
    answer: str


_COLUMNS = """key, occurrence, alarm, kind, person, channel, priority, title, body, due_at, stale_after, status, attempts,
 next_try_at, changed_at, answer"""

_BY_PRIORITY = "CASE priority WHEN 'urgent' THEN 0 WHEN 'high' THEN 1 WHEN 'medium' THEN 2 ELSE 3 END"


def write(connection: sqlite3.Connection, notices: Iterable[Notice]) -> None:
    """Put notices into the outbox, inside the caller's transaction; a key that is there already stays as it is."""
    connection.executemany(
        """INSERT INTO outbox (key, occurrence, alarm, kind, person, channel, priority, title, body, due_at, stale_after, status,
           next_try_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'waiting', ?) ON CONFLICT (key) DO NOTHING""",
        [
            (
                *(n.key, n.occurrence, n.alarm, n.kind, n.person, n.channel, str(n.priority), n.title, n.body),
                *(n.due_at, n.stale_after, n.due_at),
            )
            for n in notices
        ],
    )


class Outbox:
    """The worker's side of the outbox; safe from any thread, for it takes turns with the writer.

    Each change is on the disk when the call returns.
    """

    def __init__(self, connection: sqlite3.Connection, turn: Callable[[bool], AbstractContextManager[None]]) -> None:
        """`turn(writes)` holds the writer's connection, and with `writes` a transaction that is synced at its end."""
        self._connection = connection
        self._turn = turn

    def due(self, at: float, limit: int = 100) -> list[Row]:
        """Waiting notices whose time has come, urgent ones first, then the longest due."""
        with self._turn(False):
            rows = self._connection.execute(
                f"""SELECT {_COLUMNS} FROM outbox WHERE status = 'waiting' AND next_try_at <= ? AND due_at <= ?
                    ORDER BY {_BY_PRIORITY}, due_at, id LIMIT ?""",  # noqa: S608 — constants
                (at, at, limit),
            ).fetchall()
        return list(map(_read, rows))

    def next_due_at(self) -> float | None:
        """When the next waiting notice may be sent, or None when none waits."""
        with self._turn(False):
            (at,) = self._connection.execute("SELECT min(next_try_at) FROM outbox WHERE status = 'waiting'").fetchone()
        return None if at is None else float(at)

    def interrupted(self) -> list[Row]:
        """Notices that were being handed over when the last run ended: whether they arrived is not known."""
        return self.rows("sending")

    def rows(self, status: str, limit: int = 1_000) -> list[Row]:
        """The notices in one status, oldest first."""
        with self._turn(False):
            asked = f"SELECT {_COLUMNS} FROM outbox WHERE status = ? ORDER BY id LIMIT ?"  # noqa: S608 — constants
            rows = self._connection.execute(asked, (status, limit)).fetchall()
        return list(map(_read, rows))

    def find(self, key: str) -> Row | None:
        """The notice with this key."""
        with self._turn(False):
            asked = f"SELECT {_COLUMNS} FROM outbox WHERE key = ?"  # noqa: S608 — constants
            row = self._connection.execute(asked, (key,)).fetchone()
        return None if row is None else _read(row)

    def attempts(self, key: str) -> list[Attempt]:
        """Every try made for this notice, oldest first."""
        with self._turn(False):
            asked = "SELECT key, channel, at, result, answer FROM attempt WHERE key = ? ORDER BY id"
            return [Attempt(*row) for row in self._connection.execute(asked, (key,))]

    def add(self, notices: Sequence[Notice]) -> None:
        """Write notices that belong to no batch: a summary, a test call."""
        with self._turn(True):
            write(self._connection, notices)

    def sending(self, key: str, at: float) -> None:
        """About to hand it over. Nothing may leave before this has returned. The last answer stays until the next one."""
        with self._turn(True):
            self._connection.execute("UPDATE outbox SET status = 'sending', changed_at = ? WHERE key = ?", (at, key))

    def sent(self, key: str, at: float, answer: str) -> None:
        """The next hop took it; that a person saw it is not known."""
        self._end(key, "sent", at, answer)

    def failed(self, key: str, at: float, answer: str, next_try_at: float) -> None:
        """It did not get out; try again at `next_try_at`."""
        with self._turn(True):
            self._note_attempt(key, at, "failed", answer)
            self._connection.execute(
                """UPDATE outbox SET status = 'waiting', attempts = attempts + 1, next_try_at = ?, changed_at = ?, answer = ?
                   WHERE key = ?""",
                (next_try_at, at, answer, key),
            )

    def gave_up(self, key: str, at: float, answer: str) -> None:
        """No more tries by this channel."""
        self._end(key, "given up", at, answer)

    def fold(self, keys: Sequence[str], summary: Notice, at: float) -> None:
        """Replace stale notices by one summary, in one transaction."""
        with self._turn(True):
            write(self._connection, [summary])
            self._connection.executemany(
                "UPDATE outbox SET status = 'folded', changed_at = ?, answer = ? WHERE key = ? AND status = 'waiting'",
                [(at, f"told in {summary.key}", key) for key in keys],
            )

    def settled(self, notice: Notice, status: str, at: float, answer: str) -> None:
        """What became of a notice while this outbox could not be written; one that ended here already stays so."""
        with self._turn(True):
            write(self._connection, [notice])
            self._connection.execute(
                """UPDATE outbox SET status = ?, attempts = attempts + 1, changed_at = ?, answer = ?
                   WHERE key = ? AND status IN ('waiting', 'sending')""",
                (status, at, answer, notice.key),
            )
            if self._connection.execute("SELECT changes()").fetchone() == (1,):
                self._note_attempt(notice.key, at, status, answer)

    def _end(self, key: str, status: str, at: float, answer: str) -> None:
        with self._turn(True):
            self._note_attempt(key, at, status, answer)
            self._connection.execute(
                "UPDATE outbox SET status = ?, attempts = attempts + 1, changed_at = ?, answer = ? WHERE key = ?",
                (status, at, answer, key),
            )

    def _note_attempt(self, key: str, at: float, result: str, answer: str) -> None:
        self._connection.execute(
            "INSERT INTO attempt (key, channel, at, result, answer) SELECT key, channel, ?, ?, ? FROM outbox WHERE key = ?",
            (at, result, answer, key),
        )


def set_aside_unfinished(connection: sqlite3.Connection, why: str) -> int:
    """After a restore: what was still to be sent then may have been sent since. In the caller's transaction."""
    return connection.execute(
        "UPDATE outbox SET status = 'given up', answer = ? WHERE status IN ('waiting', 'sending')", (why,)
    ).rowcount


def tidy(connection: sqlite3.Connection, keep: int = KEPT_ROWS) -> None:
    """Drop finished notices beyond the newest `keep`, and their attempts. In the caller's transaction."""
    connection.execute(
        """DELETE FROM outbox WHERE status IN ('sent', 'given up', 'folded')
           AND id <= (SELECT max(id) FROM outbox) - ?""",
        (keep,),
    )
    connection.execute("DELETE FROM attempt WHERE id <= (SELECT max(id) FROM attempt) - ?", (4 * keep,))


def _read(row: Sequence[object]) -> Row:
    key, occurrence, alarm, kind, person, channel, priority, title, body, due_at, stale_after, *rest = row
    status, attempts, next_try_at, changed_at, answer = rest
    assert isinstance(occurrence, int)
    assert isinstance(channel, int)
    assert isinstance(attempts, int)
    assert isinstance(due_at, float)
    assert isinstance(stale_after, float)
    assert isinstance(next_try_at, float)
    assert changed_at is None or isinstance(changed_at, float)
    notice = Notice(
        key=str(key),
        occurrence=occurrence,
        alarm=str(alarm),
        kind=str(kind),
        person=str(person),
        channel=channel,
        priority=Priority(str(priority)),
        title=str(title),
        body=str(body),
        due_at=due_at,
        stale_after=stale_after,
    )
    return Row(notice, str(status), attempts, next_try_at, changed_at, str(answer))
