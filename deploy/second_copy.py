"""Sees that the newest nightly backup is young and sound, and copies it to a second medium.

A card that dies takes the backups on it along; a stick in the other port does not. Run each morning by
warmstraw-second-copy.timer; a failure shows as a failed unit in `systemctl --failed` and in `install.sh --check`.

usage: second_copy.py [SETTINGS]      environment: SECOND_COPY=FOLDER, a folder on the other medium
Exit code 0: sound (and copied). 1: not; the sentence says what to do.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Mapping
from pathlib import Path

from monitor.settings.complaints import SettingsMistakes
from monitor.settings.read import find, read
from monitor.store.backup import put_in_place, verify
from monitor.store.failures import BackupFailing
from monitor.store.nightly import BACKUPS_NAME, nights

SETTINGS = "/etc/warmstraw/warmstraw.toml"
OLDEST_S = 36 * 3600.0  # one night missed is told on the next morning
KEPT = 14


class Trouble(Exception):  # noqa: N818 — said in words
    """What is wrong, and what to do."""


def newest_night(backups: Path) -> Path:
    """The newest nightly backup; names sort by age."""
    found = nights(backups)
    if not found:
        raise Trouble(f"there is no nightly backup in {backups}: is the daemon running, and its clock trusted?")
    return found[-1]


def look(backups: Path, now_s: float) -> tuple[Path, int]:
    """The newest night's file and its rows, checked whole.

    Raises:
        Trouble: there is none, it is too old, or it is damaged.
    """
    newest = newest_night(backups)
    age_s = now_s - newest.stat().st_mtime
    if age_s > OLDEST_S:
        raise Trouble(f"the newest backup, {newest}, is {age_s / 3600:.0f} hours old: look at the daemon's log for the reason")
    try:
        rows = verify(newest)
    except BackupFailing as trouble:
        raise Trouble(f"{trouble} The card may be failing: copy what is there and replace it.") from trouble
    return newest, sum(rows.values())


def copy_to(newest: Path, folder: Path, store: Path) -> Path:
    """Copy it whole to the other medium, read it back, drop the oldest beyond fourteen.

    Raises:
        Trouble: the medium is not there, is the same one, or is full.
    """
    if not folder.is_dir():
        raise Trouble(f"{folder} is not there: put the medium in, or take SECOND_COPY out of /etc/warmstraw/second-copy")
    if folder.stat().st_dev == store.stat().st_dev:
        raise Trouble(f"{folder} is on the same medium as the store (not mounted?): a copy there protects from nothing")
    target = folder / newest.name
    part = folder / f"{newest.name}.part"
    try:
        shutil.copyfile(newest, part)
        verify(part)
        put_in_place(part, target)
    except (OSError, BackupFailing) as trouble:
        raise Trouble(f"the copy to {folder} failed: {trouble}") from trouble
    finally:
        part.unlink(missing_ok=True)
    for old in sorted(folder.glob("[0-9]*.sqlite"))[:-KEPT]:
        old.unlink(missing_ok=True)
    return target


def main(arguments: list[str], environment: Mapping[str, str], now_s: float) -> int:
    """Look, and copy where that is asked for."""
    try:
        store = Path(read(find(arguments[0] if arguments else SETTINGS)).connections.store.folder)
        newest, rows = look(store / BACKUPS_NAME, now_s)
        said = f"{newest.name}: {rows:,} rows, checked and sound"
        wanted = environment.get("SECOND_COPY", "")
        if wanted:
            said += f"; copied to {copy_to(newest, Path(wanted), store)}"
        print(said)
    except (Trouble, SettingsMistakes, OSError) as trouble:
        print(f"second copy: {trouble}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:], os.environ, time.time()))  # noqa: TID251 — a program of its own, out in the world
