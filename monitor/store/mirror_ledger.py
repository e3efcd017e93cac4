"""What the store keeps for the mirror: its cursor, and the lines no server would take.

Rules of this file: while there is a mirror, arrivals stay in the inbox until the cursor has passed them, also
after they were moved to their place. The cursor is written with the hourly chore, not with each batch: after
a kill some lines are sent twice, which is harmless, and the card is spared.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import NamedTuple

from monitor.store.mirror_course import Cursor

# With the server away for longer than this many readings (six weeks of eight sensors at 30 s) the inbox lets
# go, and the mirror walks through all readings once more when the server is back.
LONGEST_BACKLOG = 1_000_000
_KEPT_LINES = 1_000


class SetAside(NamedTuple):
    line: str
    answer: str


class Ledger:
    """The mirror's side of the writer; safe from any thread."""

    def __init__(self, connection: sqlite3.Connection, turn: Callable[[bool], AbstractContextManager[None]]) -> None:
        self._connection = connection
        self._turn = turn
        self.rewinds = 0  # counts how often the cursor was put back; the mirror then begins from it anew
        row = connection.execute("SELECT seq, decision, journal, history_series, history_ms, hour_ms FROM mirror").fetchone()
        self._cursor = None if row is None else Cursor(*row)

    @property
    def keep_after_seq(self) -> int | None:
        """Arrivals after this one must stay in the inbox; None when there is no mirror."""
        return None if self._cursor is None else self._cursor.seq

    @property
    def decision(self) -> int | None:
        """Number of the last decision the server has; None when there is no mirror."""
        return None if self._cursor is None else self._cursor.decision

    def begin(self) -> Cursor:
        """There is a mirror from now on. A new one gets everything that was stored before, by and by."""
        with self._turn(True):
            if self._cursor is None:
                (settled,) = self._connection.execute("SELECT value FROM mark WHERE name = 'settled_seq'").fetchone()
                self._cursor = Cursor(settled, 0, 0, 0, 0)
                self.write()
            return self._cursor

    def end(self) -> None:
        """There is no mirror any more: nothing is kept for it."""
        with self._turn(True):
            self._cursor = None
            self._connection.execute("DELETE FROM mirror")

    def cursor(self) -> tuple[Cursor, int]:
        """The cursor, and how often it was put back so far."""
        with self._turn(False):
            if self._cursor is None:
                raise RuntimeError("the mirror asks for its cursor before begin()")
            return self._cursor, self.rewinds

    def passed(self, safe: Cursor, rewinds: int) -> None:
        """Everything up to `safe` has been accepted and may be let go, unless the cursor was put back meanwhile."""
        with self._turn(False):
            if self._cursor is not None and rewinds == self.rewinds:
                self._cursor = safe

    def set_aside(self, line: str, answer: str) -> None:
        """Keep a line the server would not take, with its answer; the newest thousand."""
        with self._turn(True):
            self._connection.execute("INSERT INTO set_aside (line, answer) VALUES (?, ?)", (line, answer))
            self._connection.execute("DELETE FROM set_aside WHERE id <= (SELECT max(id) FROM set_aside) - ?", (_KEPT_LINES,))

    def lines_set_aside(self) -> list[SetAside]:
        """Oldest first."""
        with self._turn(False):
            return [SetAside(*row) for row in self._connection.execute("SELECT line, answer FROM set_aside ORDER BY id")]

    # ------------------------------------------------------------ for the writer, inside its transactions

    def write(self) -> None:
        """Write the cursor down."""
        if self._cursor is not None:
            c = self._cursor
            self._connection.execute(
                """INSERT OR REPLACE INTO mirror (id, seq, decision, journal, history_series, history_ms, hour_ms)
                   VALUES (1, ?, ?, ?, ?, ?, ?)""",
                (c.seq, c.decision, c.journal, c.history_series, c.history_ms, c.hour_ms),
            )

    def about_to_date(self, segment: int) -> None:
        """Decisions and entries the mirror has passed over for want of a time are getting one: go back to them."""
        if self._cursor is None:
            return
        first = {}
        for table in ("decision", "journal"):
            asked = f"SELECT min(id) FROM {table} WHERE segment = ? AND time_ms IS NULL"  # noqa: S608 — the two above
            (first[table],) = self._connection.execute(asked, (segment,)).fetchone()
        if first["decision"] is None and first["journal"] is None:
            return
        self._cursor = replace(
            self._cursor,
            decision=min(self._cursor.decision, (first["decision"] or 2**62) - 1),
            journal=min(self._cursor.journal, (first["journal"] or 2**62) - 1),
        )
        self.rewinds += 1  # also where this cursor has not moved: what the mirror has sent runs ahead of it

    def bound_backlog(self) -> None:
        """Let go of a backlog that has grown too long; the readings themselves stay, and are walked through later."""
        (settled,) = self._connection.execute("SELECT value FROM mark WHERE name = 'settled_seq'").fetchone()
        if self._cursor is not None and settled - self._cursor.seq > LONGEST_BACKLOG:
            self._cursor = replace(self._cursor, seq=settled, history_series=0, history_ms=0)
            self.rewinds += 1
