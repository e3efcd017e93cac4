"""A real SQLite file on a disk that fails by dice: full, read-only, or with errors whose commit may stand all the same."""

from __future__ import annotations

import functools
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from random import Random
from typing import Any
from unittest import mock

_WRITES = ("BEGIN IMMEDIATE", "INSERT", "UPDATE", "DELETE", "COMMIT")
_CODES = {
    "disk full": (sqlite3.SQLITE_FULL, "SQLITE_FULL", "database or disk is full"),
    "disk read-only": (sqlite3.SQLITE_READONLY, "SQLITE_READONLY", "attempt to write a readonly database"),
    "disk errors": (sqlite3.SQLITE_IOERR, "SQLITE_IOERR", "disk I/O error"),
}
ERRORS = 0.3  # of the writes, while the disk has errors


class Killed(BaseException):
    """The daemon is dead at this instant; no code of it may catch this."""


class _Connection(sqlite3.Connection):
    """SQLite's own, asked through the disk."""

    disk: Disk

    def execute(self, sql: str, *given: Any) -> sqlite3.Cursor:
        return self.disk.ask(functools.partial(super().execute, sql, *given), sql)

    def executemany(self, sql: str, *given: Any) -> sqlite3.Cursor:
        return self.disk.ask(functools.partial(super().executemany, sql, *given), sql)


class Disk:
    """Every statement of the daemon's store goes through `ask`."""

    def __init__(self, dice: Random) -> None:
        self._dice = dice
        self.fault = ""  # one of the three, or none
        self.kill_after: int | None = None  # writing statements from now
        self.failures = 0
        self.stood_after_all = 0

    @contextmanager
    def under(self) -> Iterator[None]:
        """Databases opened inside lie on this disk."""
        connect = sqlite3.connect

        def make(*given: Any, **options: Any) -> _Connection:
            made = _Connection(*given, **options)
            made.disk = self
            return made

        with mock.patch.object(sqlite3, "connect", functools.partial(connect, factory=make)):
            yield

    def ask(self, do: Callable[[], sqlite3.Cursor], sql: str) -> sqlite3.Cursor:
        if not sql.lstrip().startswith(_WRITES):
            return do()
        self._perhaps_kill(do)
        if not self.fault or (self.fault == "disk errors" and self._dice.random() > ERRORS):
            return do()
        self.failures += 1
        if sql == "COMMIT" and self.fault == "disk errors" and self._dice.random() < 0.5:
            self.stood_after_all += 1
            do()
        code, name, words = _CODES[self.fault]
        error = sqlite3.OperationalError(words)
        error.sqlite_errorcode = code
        error.sqlite_errorname = name
        raise error

    def _perhaps_kill(self, do: Callable[[], sqlite3.Cursor]) -> None:
        if self.kill_after is None:
            return
        self.kill_after -= 1
        if self.kill_after <= 0:
            self.kill_after = None
            if self._dice.random() < 0.5:
                do()
            raise Killed
