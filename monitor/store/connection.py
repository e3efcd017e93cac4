"""How a connection to the store is opened, and what a transaction is.

Rules of this file: one connection writes, and it alone checkpoints; all others are opened read-only.
SQLite before 3.51.3 has a rare race between two connections that write and checkpoint at once.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

STORE_NAME = "store.sqlite"
SUSPECT_NAME = "damage-suspected"
LOSS_NAME = "loss-to-tell"

# Small pages, because a commit writes every page it touches whole, twice (log and file), and a usual
# commit touches four with a few hundred bytes each. tests/bench/store_bytes.py compares 1024 and 4096.
PAGE_BYTES = 1024

# The writer checkpoints hourly, in `tidy`; this is only a bound for a flood in between (16 MB of log).
_CHECKPOINT_PAGES = 16_384


def open_writer(file: Path) -> sqlite3.Connection:
    """The writing connection; creates the file when there is none. May be used by one thread at a time."""
    connection = sqlite3.connect(file, timeout=5.0, isolation_level=None, check_same_thread=False, cached_statements=256)
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
        connection.execute("PRAGMA journal_size_limit = 4194304")
        connection.execute("PRAGMA cache_size = -4096")
        connection.execute("PRAGMA temp_store = MEMORY")
        # Debian builds SQLite so that freed pages are overwritten with zeros; readings are no secret worth the wear.
        connection.execute("PRAGMA secure_delete = OFF")
    except BaseException:
        connection.close()
        raise
    return connection


def open_reader(file: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises sqlite3.OperationalError when there is no such file."""
    address = f"{file.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(address, uri=True, timeout=5.0, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA query_only = ON")
        connection.execute("PRAGMA cache_size = -2048")
        connection.execute("PRAGMA temp_store = MEMORY")
    except BaseException:
        connection.close()
        raise
    return connection


def note_suspicion(folder: Path) -> None:
    """Damage was met while running: the next opening reads every page."""
    with suppress(OSError):
        (folder / SUSPECT_NAME).touch()


def is_suspected(folder: Path) -> bool:
    """Was damage met since the store was last opened?"""
    return (folder / SUSPECT_NAME).exists()


def note_loss(folder: Path, words: str) -> None:
    """What was lost stands beside the store until somebody has been told: a daemon may be killed before it says so."""
    with suppress(OSError):
        part = folder / f"{LOSS_NAME}.part"
        part.write_text(words, encoding="utf-8")
        descriptor = os.open(part, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        part.replace(folder / LOSS_NAME)


def loss_to_tell(folder: Path) -> str:
    """What was lost and nobody has been told of yet; "" when there is nothing."""
    try:
        return (folder / LOSS_NAME).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def loss_was_told(folder: Path) -> None:
    with suppress(OSError):
        (folder / LOSS_NAME).unlink(missing_ok=True)


@contextmanager
def transaction(connection: sqlite3.Connection, at_once: bool = False) -> Iterator[None]:
    """All or nothing. With `at_once` it is on the disk, not only in the kernel's memory, when this returns."""
    connection.execute(f"PRAGMA synchronous = {'FULL' if at_once else 'NORMAL'}")
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):  # the first error is the one to tell
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise
