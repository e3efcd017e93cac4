"""What can go wrong with the store, in words: the cause, and what a keeper can do about it.

Every error of this room is a `StoreFailing`; the daemon turns it into the alarm `store_failing` and
goes on judging. After any of them `Store.commit` may be called again with the same batch.
"""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class StoreFailing(Exception):  # noqa: N818 — named like the alarm it raises, store_failing
    """The store cannot do what was asked. `cause` says why, `advice` what to do."""

    def __init__(self, cause: str, advice: str) -> None:
        super().__init__(f"{cause} {advice}")
        self.cause = cause
        self.advice = advice


class StoreFull(StoreFailing):
    """No room left on the disk; nothing of the batch was stored."""


class StoreReadOnly(StoreFailing):
    """The disk or the file may not be written to."""


class StoreCorrupt(StoreFailing):
    """The file is damaged. Opening the store again sets it aside and restores the newest good backup."""


class StoreHeld(StoreFailing):
    """Another process has the store open; `pid` is its number, when it could be read."""

    def __init__(self, cause: str, advice: str, pid: int | None) -> None:
        super().__init__(cause, advice)
        self.pid = pid


class StoreNewer(StoreFailing):
    """A later version of the program wrote this store."""


class StoreMissing(StoreFailing):
    """There is no store in this folder."""


class StoreUnreachable(StoreFailing):
    """The disk answers with an error, or not at all."""


class BackupFailing(StoreFailing):
    """A backup could not be made, or is not good enough to be restored."""


# What a spoilt page may raise: SQLite's own errors, and Python's where a text in it, or SQLite's sentence about it, is none.
UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
_NO_TEXT = "Could not decode to UTF-8"  # Python's words, without a code of SQLite's

_CORRUPT = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_READ_ONLY = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH}


def in_words(error: sqlite3.Error | OSError | UnicodeDecodeError, file: Path) -> StoreFailing:
    """The failure behind an error of the database or of the operating system."""
    if isinstance(error, OSError):
        return _of_the_system(error, file)
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    told = getattr(error, "sqlite_errorname", None) or type(error).__name__
    if primary == sqlite3.SQLITE_FULL:
        return _full(file)
    if primary in _CORRUPT or isinstance(error, UnicodeDecodeError) or _NO_TEXT in str(error):
        return StoreCorrupt(
            f"{file} is damaged ({told}: {error}).",
            "The daemon sets the damaged file aside by itself and goes on from the newest good backup.",
        )
    if primary in _READ_ONLY:
        return _read_only(file)
    if primary == sqlite3.SQLITE_CANTOPEN:
        return StoreUnreachable(
            f"{file} cannot be opened ({told}).", "See that the folder exists, belongs to the daemon's user and has room."
        )
    return StoreUnreachable(f"{file}: {error} ({told}).", "See the system's log for errors of the disk or the card.")


def _of_the_system(error: OSError, file: Path) -> StoreFailing:
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return _full(file)
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return _read_only(file)
    return StoreUnreachable(f"{file}: {error.strerror or error}.", "See the system's log for errors of the disk or the card.")


def _full(file: Path) -> StoreFull:
    return StoreFull(f"No room left for {file}.", "Free some space on this disk: old logs and old backups first.")


def _read_only(file: Path) -> StoreReadOnly:
    return StoreReadOnly(
        f"{file} may not be written to.",
        "See whether the disk was mounted read-only after an error, and whether the folder belongs to the daemon's user.",
    )


@contextmanager
def told(file: Path) -> Iterator[None]:
    """Turn errors of the database and the system into `StoreFailing`."""
    try:
        yield
    except (*UNREADABLE, OSError) as error:
        raise in_words(error, file) from error
