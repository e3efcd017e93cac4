"""What the worker needs of an outbox, and one in memory for when the store cannot write.

The lasting outbox is the store's; it has these same calls. Rows are `waiting`, `sending` (durably, before
anything is handed over), then `sent`, `given up` or `folded`; a failed attempt makes them wait again.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from monitor.engine.connections import Notice
from monitor.engine.specification import Priority


class Row(Protocol):
    """One notice and what became of it."""

    @property
    def notice(self) -> Notice: ...
    @property
    def status(self) -> str: ...
    @property
    def attempts(self) -> int: ...
    @property
    def next_try_at(self) -> float: ...
    @property
    def answer(self) -> str: ...


class Outbox(Protocol):
    """Every change is kept, as safely as this outbox can, when the call returns. Times are elapsed seconds."""

    def due(self, at: float, limit: int = ...) -> Sequence[Row]:
        """Waiting rows whose time has come, urgent first, then the longest due."""

    def next_due_at(self) -> float | None:
        """When the next waiting row may be tried."""

    def interrupted(self) -> Sequence[Row]:
        """Rows that were being handed over when the last run ended."""

    def find(self, key: str) -> Row | None: ...
    def add(self, notices: Sequence[Notice]) -> None:
        """Write notices; a key that is there already stays as it is."""

    def sending(self, key: str, at: float) -> None: ...
    def sent(self, key: str, at: float, answer: str) -> None: ...
    def failed(self, key: str, at: float, answer: str, next_try_at: float) -> None: ...
    def gave_up(self, key: str, at: float, answer: str) -> None: ...
    def fold(self, keys: Sequence[str], summary: Notice, at: float) -> None:
        """Replace waiting rows by one summary, as one change."""


@dataclass(frozen=True, slots=True)
class HeldRow:
    notice: Notice
    status: str = "waiting"
    attempts: int = 0
    next_try_at: float = 0.0
    answer: str = ""


class MemoryOutbox:
    """An outbox that a kill forgets: so that people are told even while the disk is full or gone.

    Holds the newest `limit` rows; finished ones go first.
    """

    def __init__(self, limit: int = 2_000) -> None:
        self._limit = limit
        self._rows: dict[str, HeldRow] = {}
        self._lock = threading.Lock()

    def due(self, at: float, limit: int = 1_000) -> list[HeldRow]:
        rank = list(Priority)
        with self._lock:
            rows = [row for row in self._rows.values() if row.status == "waiting" and row.next_try_at <= at]
        return sorted(rows, key=lambda row: (rank.index(row.notice.priority), row.notice.due_at))[:limit]

    def next_due_at(self) -> float | None:
        with self._lock:
            return min((row.next_try_at for row in self._rows.values() if row.status == "waiting"), default=None)

    def finished(self) -> list[HeldRow]:
        """Rows that need nothing more."""
        with self._lock:
            return [row for row in self._rows.values() if row.status not in ("waiting", "sending")]

    def forget(self, key: str) -> None:
        """Another outbox has this row now."""
        with self._lock:
            self._rows.pop(key, None)

    def interrupted(self) -> list[HeldRow]:
        with self._lock:
            return [row for row in self._rows.values() if row.status == "sending"]

    def find(self, key: str) -> HeldRow | None:
        with self._lock:
            return self._rows.get(key)

    def add(self, notices: Sequence[Notice]) -> None:
        with self._lock:
            for notice in notices:
                self._rows.setdefault(notice.key, HeldRow(notice, next_try_at=notice.due_at))
            over = len(self._rows) - self._limit
            if over > 0:
                # Finished rows first, then the oldest: what wakes someone tonight is the newest.
                order = sorted(self._rows, key=lambda key: self._rows[key].status in ("waiting", "sending"))
                for key in order[:over]:
                    del self._rows[key]

    def take(self, row: Row) -> None:
        """A row of another outbox, as it stands; one that is here already stays."""
        with self._lock:
            held = HeldRow(row.notice, row.status, row.attempts, row.next_try_at, row.answer)
            self._rows.setdefault(row.notice.key, held)

    def sending(self, key: str, at: float) -> None:  # noqa: ARG002 - the shape of the lasting outbox
        self._change(key, "sending")

    def sent(self, key: str, at: float, answer: str) -> None:  # noqa: ARG002 - as above
        self._change(key, "sent", answer)

    def failed(self, key: str, at: float, answer: str, next_try_at: float) -> None:  # noqa: ARG002 - as above
        self._change(key, "waiting", answer, next_try_at)

    def gave_up(self, key: str, at: float, answer: str) -> None:  # noqa: ARG002 - as above
        self._change(key, "given up", answer)

    def fold(self, keys: Sequence[str], summary: Notice, at: float) -> None:  # noqa: ARG002 - as above
        self.add([summary])
        for key in keys:
            row = self.find(key)
            if row is not None and row.status == "waiting":
                self._change(key, "folded", f"told in {summary.key}")

    def _change(self, key: str, status: str, answer: str | None = None, next_try_at: float | None = None) -> None:
        with self._lock:
            row = self._rows.get(key)
            if row is None:
                return
            tried = row.attempts + (answer is not None and status != "folded")
            self._rows[key] = replace(
                row,
                status=status,
                attempts=tried,
                answer=row.answer if answer is None else answer,
                next_try_at=row.next_try_at if next_try_at is None else next_try_at,
            )
