"""The nightly backup: some whole files, of which the oldest is brought up to date each night.

Rules of this file: every night's file is an ordinary store, checked whole before it gets its name, and needs nothing beside
it. A store of a year has two hundred megabytes, of which a day changes about one: so the oldest night's file is not dropped
but made the newest by writing the pages that differ, which spares the card. Whatever happens on the way, the other nights
stay untouched; a file left half way keeps its `.part` and is the next one to be written.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from monitor.store import same_pages
from monitor.store.backup import PART, BackedUp, back_up_whole, count_rows, put_in_place, unsound, verify
from monitor.store.connection import STORE_NAME, note_suspicion
from monitor.store.failures import BackupFailing, StoreCorrupt, StoreMissing, told

BACKUPS_NAME = "backups"
# Two nights stay whole while the third is written. More would cost the card more: each is written to what changed since it.
KEPT = 3
LONGEST_S = 3600.0

AtRest = Callable[[], AbstractContextManager[sqlite3.Connection | None]]


def nights(place: Path) -> list[Path]:
    """The nightly backups in this folder, oldest first: names sort by age."""
    return sorted(file for file in place.glob("*.sqlite") if not file.name.startswith("before-"))


def nightly(folder: str | Path, name: str, at_rest: AtRest | None = None, keep: int = KEPT) -> BackedUp:
    """Make a backup under `backups/` in the store's folder; of the nights there, `keep` stay, this one included.

    Args:
        name: file name without folder, such as "2026-05-03.sqlite"; names sort by age.
        at_rest: `Store.at_rest` of the running store; without it, or while somebody reads for long, the whole is copied.

    Raises:
        BackupFailing: no room, or the copy is not sound. Nothing stands under the name asked for then.
        StoreMissing: no store in this folder.
    """
    place, source = Path(folder) / BACKUPS_NAME, Path(folder) / STORE_NAME
    if not source.is_file():
        raise StoreMissing(f"There is no store in {folder}.", "Name the folder that stands under [store] in the settings.")
    target = place / name
    part = place / (name + PART)
    made = None
    if at_rest is not None and _to_be_renewed(place, target, part, keep):
        with at_rest() as reader:
            made = None if reader is None else _renew(source, part, target, reader)
    if made is None:
        made = back_up_whole(source, target)
    for file in nights(place)[:-keep]:
        if file != target:
            with told(file):
                file.unlink()
    return made


def _to_be_renewed(place: Path, target: Path, part: Path, keep: int) -> bool:
    """Is there a file to bring up to date? It stands under the part's name then."""
    with told(place):
        left = sorted(place.glob(f"*.sqlite{PART}"))
        for older in left[:-1]:
            older.unlink()
        there = [file for file in nights(place) if file != target]
        if left:
            left[-1].rename(part)  # of a night that was cut off, or found unsound
        elif len(there) >= max(2, keep):
            there[0].rename(part)
        return part.exists()


def _renew(source: Path, part: Path, target: Path, reader: sqlite3.Connection) -> BackedUp:
    (page_bytes,) = reader.execute("PRAGMA page_size").fetchone()
    asked = [sys.executable, "-I", "-S", same_pages.__file__, str(source), str(part), str(page_bytes)]
    done = subprocess.run(asked, capture_output=True, text=True, timeout=LONGEST_S, check=False)  # noqa: S603 - our own file
    if done.returncode:
        why = (done.stderr.strip().splitlines() or [f"exit code {done.returncode}"])[-1]
        raise BackupFailing(f"The backup to {target} failed: {why}.", "See that there is room, and try again.")
    try:
        found = verify(part)
        with told(source):
            rows = count_rows(reader)
    except (BackupFailing, StoreCorrupt) as error:
        note_suspicion(source.parent)
        raise unsound(error.cause) from error
    if found != rows:
        raise BackupFailing(f"{part} holds {found}, the store {rows}.", "Try again; then look for errors of the disk.")
    with told(target):
        put_in_place(part, target)
    return BackedUp(target, target.stat().st_size, rows, int(done.stdout.split()[0]))
