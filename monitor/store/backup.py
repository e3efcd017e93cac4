"""A consistent copy of the store while it runs, and the way back.

Rules of this file: a file takes its final name only once it is whole, checked and on the disk (written
beside, synced, renamed, the folder synced); what is replaced is kept aside, never deleted.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.store import outbox, schema
from monitor.store.connection import STORE_NAME, note_suspicion, open_reader, open_writer, transaction
from monitor.store.failures import UNREADABLE, BackupFailing, StoreCorrupt, StoreFailing, StoreMissing, in_words, told
from monitor.store.lock import FolderLock
from monitor.store.memory import Memory

PART = ".part"
_STEP_PAGES = 4_096


class UnsoundCopy(BackupFailing):
    """The copy was made but is damaged: most likely so is the store."""


Progress = Callable[[int, int], None]  # pages done, pages in all


@dataclass(frozen=True, slots=True)
class BackedUp:
    file: Path
    size_bytes: int
    rows: Mapping[str, int]  # by table, counted in the copy and equal to the store's at that moment
    written_bytes: int  # to the disk; less than the size where only what had changed was written


@dataclass(frozen=True, slots=True)
class Restored:
    rows: Mapping[str, int]
    kept_aside: Path | None  # the store that was there before
    set_aside_notices: int  # unsent in the backup; they may have been sent since, so they are not sent again


def backup(folder: str | Path, to: str | Path, progress: Progress = lambda _done, _all: None) -> BackedUp:
    """Copy the store to a file, while the daemon runs or not; the copy is checked before it gets its name.

    Raises:
        BackupFailing: no room, or the copy is not sound. Nothing stands under the name asked for then.
        StoreMissing: no store in this folder.
    """
    source, target = _source(folder), Path(to)
    if target.exists():
        raise BackupFailing(f"{target} exists already.", "Choose another name; a backup never replaces a file.")
    return back_up_whole(source, target, progress)


def _source(folder: str | Path) -> Path:
    source = Path(folder) / STORE_NAME
    if not source.is_file():
        raise StoreMissing(f"There is no store in {folder}.", "Name the folder that stands under [store] in the settings.")
    return source


def back_up_whole(source: Path, target: Path, progress: Progress = lambda _done, _all: None) -> BackedUp:
    """Copy every page of a store's file to `target`, which may stand there: it is replaced once the copy is whole."""
    try:
        with told(source), closing(open_reader(source)) as connection:
            return copy_out(connection, target, progress)
    except (UnsoundCopy, StoreCorrupt):
        note_suspicion(source.parent)
        raise


def copy_out(connection: sqlite3.Connection, target: Path, progress: Progress = lambda _done, _all: None) -> BackedUp:
    """`backup` from an open connection that is in no transaction."""
    part = target.with_name(target.name + PART)
    try:
        target.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        (pages,), (page_bytes,) = (connection.execute(f"PRAGMA {ask}").fetchone() for ask in ("page_count", "page_size"))
        free = shutil.disk_usage(target.parent).free
        if free < pages * page_bytes * 1.05:
            raise BackupFailing(
                f"{target.parent} has {free // 10**6} MB free, the backup needs {pages * page_bytes // 10**6 + 1} MB.",
                "Remove old backups, or name another disk.",
            )
        connection.execute("BEGIN")  # one snapshot for the counts and the copy, whatever is written meanwhile
        try:
            rows = count_rows(connection)
            with closing(sqlite3.connect(part, isolation_level=None)) as copy:
                connection.backup(copy, pages=_STEP_PAGES, progress=lambda _s, left, total: progress(total - left, total))
                copy.execute("PRAGMA journal_mode = DELETE")  # one file, that needs nothing beside it
        finally:
            connection.execute("ROLLBACK")
        try:
            found = verify(part)
        except BackupFailing as error:
            raise unsound(error.cause) from error
        if found != rows:
            raise BackupFailing(f"{part} holds {found}, the store {rows}.", "Try again; then look for errors of the disk.")
        put_in_place(part, target)
        return BackedUp(target, target.stat().st_size, rows, target.stat().st_size)
    except UNREADABLE as error:
        if isinstance(in_words(error, part), StoreCorrupt):
            raise unsound(str(error)) from error
        raise BackupFailing(f"The backup to {target} failed: {error}.", "See that there is room, and try again.") from error
    except OSError as error:
        raise BackupFailing(
            f"The backup to {target} failed: {error.strerror or error}.", "See that the folder may be written to and has room."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def unsound(cause: str) -> UnsoundCopy:
    """What to say of a copy that does not pass its check."""
    return UnsoundCopy(
        f"The copy is not sound, so the store itself may be damaged: {cause}",
        "The daemon reads the whole store next, and restores the newest good backup if it must.",
    )


def verify(file: Path) -> dict[str, int]:
    """Read the whole file and check it. Returns its rows by table; raises `BackupFailing` when it is not sound."""
    try:
        address = f"{file.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as connection:
            schema.check_owner(connection, str(file))
            if schema.version(connection) < 1:
                raise BackupFailing(f"{file} holds no store.", "Choose another backup.")
            (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
            if verdict != "ok":
                raise BackupFailing(f"{file} is damaged: {verdict}.", "Choose another backup.")
            return count_rows(connection)
    except UNREADABLE as error:
        raise BackupFailing(f"{file} cannot be read as a store: {error}.", "Choose another backup.") from error
    except StoreFailing as error:
        if isinstance(error, BackupFailing):
            raise
        raise BackupFailing(error.cause, error.advice) from error


def count_rows(connection: sqlite3.Connection) -> dict[str, int]:
    """Rows of every table."""
    names = [
        name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    ]
    return {
        name: int(connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0])  # noqa: S608 — names of our own tables
        for name in sorted(names)
    }


def restore(backup_file: str | Path, folder: str | Path) -> Restored:
    """Put a backup in the store's place; what was there is kept aside under another name.

    Raises:
        StoreHeld: the daemon, or another command, has the store open.
        BackupFailing: the backup is not sound; the store stays as it was.
    """
    source, place = Path(backup_file), Path(folder)
    if not source.is_file():
        raise BackupFailing(f"There is no file {source}.", "Name a file that `backup` has made.")
    verify(source)
    with told(place):
        place.mkdir(mode=0o750, parents=True, exist_ok=True)
    lock = FolderLock(place)
    try:
        with told(place):
            return _replace(source, place)
    finally:
        lock.release()


def _replace(source: Path, place: Path) -> Restored:
    store = place / STORE_NAME
    part = store.with_name(STORE_NAME + PART)
    part.unlink(missing_ok=True)
    notices = copy_in(source, part, "from a backup; it may have been sent since")
    rows = verify(part)
    aside = None
    if store.exists():
        _empty_log(store)
        aside = free_name(store, "replaced")
        try:
            os.link(store, aside)  # the store keeps its name until the new one takes it, in one step
        except OSError:
            shutil.copyfile(store, aside)  # a file system without links
    for end in ("-wal", "-shm"):
        leftover = store.with_name(store.name + end)
        if leftover.exists():  # of a damaged store: it must never be read into the restored one
            os.replace(leftover, (aside or free_name(store, "replaced")).with_name(f"{(aside or store).name}{end}.aside"))
    put_in_place(part, store)
    return Restored(rows, aside, notices)


def copy_in(source: Path, part: Path, why: str) -> int:
    """Copy a backup to a file that is to become the store, and put away in it what no longer holds.

    Returns how many unsent notices were set aside.
    """
    shutil.copyfile(source, part)
    with closing(sqlite3.connect(part, isolation_level=None)) as connection:
        schema.migrate(connection, str(part))
        with transaction(connection, at_once=True):
            Memory(connection).forget()  # packet ids of that time mean other messages now
            connection.execute("INSERT OR REPLACE INTO mark VALUES ('restored', 1)")  # see `Saved.is_older`
            notices = outbox.set_aside_unfinished(connection, why)
        connection.execute("PRAGMA journal_mode = DELETE")
    return notices


def _empty_log(store: Path) -> None:
    """Bring the log into the file, where that can still be done; a damaged store stays as it is."""
    with suppress(*UNREADABLE), closing(open_writer(store)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def put_in_place(part: Path, target: Path) -> None:
    """Sync a finished file, give it its name in one step, and sync the folder."""
    descriptor = os.open(part, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    os.replace(part, target)
    sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def free_name(file: Path, word: str) -> Path:
    """The first unused `name.word-1`, `name.word-2` …: numbers, for the clock may be wrong."""
    number = 1
    while (name := file.with_name(f"{file.name}.{word}-{number}")).exists():
        number += 1
    return name
