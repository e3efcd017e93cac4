"""Opening the store: check it, bring it to this version, and when it is damaged set it aside and go on.

Rules of this file: nothing is ever deleted; a damaged file is renamed, the newest good backup takes its
place, and `Opened` says what was lost. A file that is missing or empty while there are backups counts as
lost too (a repaired file system leaves such things after a power cut): move `backups` away to begin anew.
The new store is made beside and takes its name once it is whole: a full disk, or a kill on the way, leaves all as it was.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from monitor.store import schema
from monitor.store.backup import PART, copy_in, copy_out, free_name, put_in_place, sync_folder, verify
from monitor.store.connection import PAGE_BYTES, STORE_NAME, SUSPECT_NAME, loss_to_tell, note_loss, open_reader, open_writer
from monitor.store.failures import UNREADABLE, BackupFailing, StoreCorrupt, StoreFailing, in_words
from monitor.store.nightly import BACKUPS_NAME

# Checking every page takes seconds for each 100 MB on a memory card. After a clean stop, or above this size,
# the look at opening is a light one; a full check comes with each nightly backup, and after any sign of damage.
_QUICK_CHECK_BYTES = 64 * 2**20

# Holds the name of the damaged file, from before it is set aside until its place is taken.
_RESTORING_NAME = "restoring"

# Reads out of a damaged file, into the store behind the connection, what that lacks; says in words what it was.
TakeOut = Callable[[sqlite3.Connection, Path], str]


@dataclass(frozen=True, slots=True)
class Opened:
    """How the opening went."""

    file: Path
    created: bool = False
    migrated_from: int | None = None  # the earlier format, which has a backup of its own
    set_aside: Path | None = None  # the damaged file, renamed
    recovered_from: Path | None = None  # the backup that took its place
    lost: str = ""  # in words, until somebody has been told; empty when nothing was


def open_store(folder: Path, take_out: TakeOut) -> tuple[sqlite3.Connection, Opened]:
    """The writer's connection to a sound store of this version. The caller holds the folder's lock."""
    file = folder / STORE_NAME
    backups = folder / BACKUPS_NAME
    suspect = folder / SUSPECT_NAME
    empty = not file.exists() or file.stat().st_size == 0
    log = file.with_name(STORE_NAME + "-wal")
    if not empty or (log.exists() and log.stat().st_size > 0):
        try:
            opened = _open_sound(file, backups, thorough=suspect.exists())
        except StoreCorrupt as damage:
            return _recover(file, backups, take_out, str(damage.cause))
        suspect.unlink(missing_ok=True)
        connection, found = opened
        return connection, replace(found, lost=loss_to_tell(folder))
    if any(backups.glob("*.sqlite")) or (folder / _RESTORING_NAME).exists():
        return _recover(file, backups, take_out, f"{file} was missing or empty.")
    connection, opened_new = _open_sound(file, backups, thorough=False)
    return connection, replace(opened_new, created=True)


def _open_sound(file: Path, backups: Path, thorough: bool) -> tuple[sqlite3.Connection, Opened]:
    connection: sqlite3.Connection | None = None
    try:
        connection = open_writer(file)
        schema.check_owner(connection, str(file))
        _look_over(connection, file, thorough)
        writer = connection

        def keep_copy(found: int) -> None:
            target = free_name(backups / f"before-format-{found + 1}.sqlite", "copy")
            first = backups / f"before-format-{found + 1}.sqlite"
            copy_out(writer, first if not first.exists() else target)

        found = schema.migrate(connection, str(file), keep_copy)
        migrated = found if 0 < found < len(schema.STEPS) else None
        return connection, Opened(file, migrated_from=migrated)
    except BaseException as error:
        if connection is not None:
            connection.close()
        if isinstance(error, UNREADABLE):
            raise in_words(error, file) from error
        raise


def _look_over(connection: sqlite3.Connection, file: Path, thorough: bool) -> None:
    """Raises `StoreCorrupt` at any sign of damage."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    clean = True
    if "saved" in tables:
        row = connection.execute("SELECT clean, state FROM saved").fetchone()
        if row is not None:
            clean = bool(row[0])
            try:
                if row[1] is not None:
                    unpack(row[1])
            except (zlib.error, UnicodeDecodeError, TypeError) as error:
                raise StoreCorrupt(f"{file}: the saved state is damaged.", "It is set aside at the next start.") from error
    if thorough or (not clean and file.stat().st_size <= _QUICK_CHECK_BYTES):
        # After a sign of damage the indexes are compared too: else what was met there would be met again.
        (verdict,) = connection.execute(f"PRAGMA {'integrity' if thorough else 'quick'}_check(1)").fetchone()
        if verdict != "ok":
            raise StoreCorrupt(f"{file} is damaged: {verdict}.", "It is set aside at the next start.")


def unpack(packed: bytes) -> str:
    """The engine's state as it was saved; what stands behind it only fills its place."""
    return zlib.decompressobj().decompress(packed).decode()


def _recover(file: Path, backups: Path, take_out: TakeOut, damage: str) -> tuple[sqlite3.Connection, Opened]:
    """Set a damaged file aside, and put in its place the newest good backup with what can still be read of the file.

    Raises:
        StoreFailing: that cannot be written now. No store stands there then, and the next opening begins here again.
    """
    note_loss(file.parent, damage)
    aside = _set_aside(file)
    if aside is not None:
        damage += f" It is kept as {aside.name}."
    for candidate in _newest_first(backups):
        with suppress(BackupFailing, StoreCorrupt):  # a full disk is none of these: the backup is good, and waits
            lost = _put_together(file, candidate, aside, take_out, damage)
            return _take_place(file, backups, Opened(file, set_aside=aside, recovered_from=candidate, lost=lost))
    lost = _put_together(file, None, aside, take_out, damage)
    return _take_place(file, backups, Opened(file, created=True, set_aside=aside, lost=lost))


def _put_together(file: Path, candidate: Path | None, aside: Path | None, take_out: TakeOut, damage: str) -> str:
    """The new store, whole, beside its place; what is lost, in words. Nothing of it is left where that fails."""
    part = file.with_name(file.name + PART)
    _forget(part)
    try:
        if candidate is not None:
            needed = candidate.stat().st_size * 17 // 16  # with what is read out of the damaged file
            if shutil.disk_usage(part.parent).free < needed:
                raise OSError(errno.ENOSPC, "no room for the backup")  # before the card bears it again at each try
            verify(candidate)
            copy_in(candidate, part, "the store was restored from a backup; it may have been sent before")
            _leave_a_spoilt_state(part)
        with closing(sqlite3.connect(part, isolation_level=None)) as connection:
            if candidate is None:
                connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
                schema.migrate(connection, str(part))
                lost = f"{damage} There was no good backup: the store begins anew."
            else:
                lost = f"{damage} What came after {_last_time(connection)} is lost here."
            return lost if aside is None else lost + take_out(connection, aside)
    except BaseException as error:
        _forget(part)
        if isinstance(error, (*UNREADABLE, OSError)):
            raise in_words(error, file) from error
        raise


def _take_place(file: Path, backups: Path, opened: Opened) -> tuple[sqlite3.Connection, Opened]:
    note_loss(file.parent, opened.lost)
    put_in_place(file.with_name(file.name + PART), file)
    for note in (SUSPECT_NAME, _RESTORING_NAME):
        file.with_name(note).unlink(missing_ok=True)
    connection, _ = _open_sound(file, backups, thorough=False)
    return connection, opened


def _forget(part: Path) -> None:
    """A store that was not finished."""
    for end in ("", "-journal", "-wal", "-shm"):
        part.with_name(part.name + end).unlink(missing_ok=True)


def _leave_a_spoilt_state(part: Path) -> None:
    """A backup whose readings are whole and whose saved state is not is still a good one: alarms are raised anew."""
    with closing(sqlite3.connect(part, isolation_level=None)) as connection:
        row = connection.execute("SELECT state FROM saved WHERE state IS NOT NULL").fetchone()
        try:
            if row is not None:
                unpack(row[0])
        except (zlib.error, UnicodeDecodeError, TypeError):
            connection.execute("UPDATE saved SET state = NULL")


def _set_aside(file: Path) -> Path | None:
    """Rename a damaged store and its log; they stay for whoever can still read something out of them.

    Returns where; of an opening that came no further than this, where it did; None when there is nothing.
    """
    restoring = file.with_name(_RESTORING_NAME)
    # The log goes first: a new store must never meet the old one's log.
    ends = [end for end in ("-wal", "-shm", "") if file.with_name(file.name + end).exists()]
    if not ends:
        named = restoring.read_text(encoding="utf-8", errors="replace") if restoring.exists() else ""
        former = file.with_name(named or file.name)
        return former if former.exists() else None
    aside = free_name(file, "damaged")
    restoring.write_text(aside.name, encoding="utf-8")
    sync_folder(file.parent)
    for end in ends:
        os.replace(file.with_name(file.name + end), aside.with_name(aside.name + end))
    sync_folder(file.parent)
    return aside


def _newest_first(backups: Path) -> list[Path]:
    """Backups by how far the engine's timeline had come in them: file dates lie when the clock did."""
    found = []
    for file in sorted(backups.glob("*.sqlite")):
        with suppress(*UNREADABLE, StoreFailing, OSError), closing(open_reader(file)) as connection:
            row = connection.execute("SELECT at FROM saved").fetchone()
            found.append((0.0 if row is None else float(row[0]), file.name, file))
    return [file for _, _, file in sorted(found, reverse=True)]


def _last_time(connection: sqlite3.Connection) -> str:
    (time_ms,) = connection.execute(
        """SELECT max(t) FROM (SELECT max(time_ms) AS t FROM hour UNION ALL SELECT max(time_ms) FROM inbox
           UNION ALL SELECT max(time_ms) FROM decision)"""
    ).fetchone()
    if time_ms is None:
        return "the backup"
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M UTC")
