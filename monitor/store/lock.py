"""One writer per store: a lock the kernel takes back by itself when its holder dies, however it dies."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from monitor.store.failures import StoreHeld, in_words

LOCK_NAME = "warmstraw.lock"


class FolderLock:
    """Holds the folder until `release`. The file keeps the holder's process number, for the message only."""

    def __init__(self, folder: Path) -> None:
        """Raises `StoreHeld` when another process, or another store in this one, has the folder."""
        self._file = folder / LOCK_NAME
        try:
            # Python opens files so that child processes do not inherit them: a child never keeps the lock.
            self._descriptor = os.open(self._file, os.O_RDWR | os.O_CREAT, 0o640)
        except OSError as error:
            raise in_words(error, self._file) from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            pid = self._holder()
            os.close(self._descriptor)
            whose = "another process" if pid is None else f"process {pid}"
            raise StoreHeld(
                f"The store in {folder} is in use by {whose}.",
                "Two writers would spoil it: stop that one first (a daemon: `systemctl stop warmstraw`).",
                pid,
            ) from error
        except OSError as error:
            os.close(self._descriptor)
            raise in_words(error, self._file) from error
        try:
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)
        except OSError:
            pass  # a full disk: the lock itself holds, only the number is missing

    def _holder(self) -> int | None:
        try:
            return int(os.pread(self._descriptor, 32, 0).split()[0])
        except (OSError, ValueError, IndexError):
            return None

    def release(self) -> None:
        """Give the folder back. Calling it twice does no harm."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1
