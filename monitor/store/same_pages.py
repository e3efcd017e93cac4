"""Makes one file equal to another by writing only the pages that differ. A program of its own: see `nightly`.

usage: python same_pages.py SOURCE TARGET PAGE_BYTES      prints how many bytes were written, and in how many pages

A process of its own because a program that opens and closes a database's file beside SQLite drops the locks that SQLite holds
on it (sqlite.org/howtocorrupt.html, section 2.2), and because comparing must not take the interpreter from the judging.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress

_CHUNK_PAGES = 1024
# Bytes 18 and 19 of a database tell whether its changes are in a log beside it (2) or not (1): the copy has no log.
# sqlite.org/fileformat2.html, section 1.3.3.
_FORMAT_AT, _NO_LOG = 18, b"\x01\x01"


def make_same(source: str, target: str, page_bytes: int) -> tuple[int, int]:
    """Bring `target` to the content of `source`, a database at rest, and sync it. Returns bytes and pages written."""
    written = pages = place = 0
    chunk = page_bytes * _CHUNK_PAGES
    source_fd = os.open(source, os.O_RDONLY)
    target_fd = os.open(target, os.O_RDWR | os.O_CREAT, 0o640)
    try:
        while new := os.pread(source_fd, chunk, place):
            if place == 0:
                new = new[:_FORMAT_AT] + _NO_LOG + new[_FORMAT_AT + len(_NO_LOG) :]
            old = os.pread(target_fd, chunk, place)
            if new != old:
                for start, end in _differing(new, old, page_bytes):
                    os.pwrite(target_fd, new[start:end], place + start)
                    written += end - start
                    pages += -(-(end - start) // page_bytes)
            place += len(new)
        os.ftruncate(target_fd, place)
        os.fsync(target_fd)
        with suppress(OSError):  # so that what checks the copy reads the medium and not the kernel's memory
            os.posix_fadvise(target_fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(source_fd)
        os.close(target_fd)
    return written, pages


def _differing(new: bytes, old: bytes, page_bytes: int) -> list[tuple[int, int]]:
    """Stretches of pages that differ, each as its start and end."""
    found: list[tuple[int, int]] = []
    for start in range(0, len(new), page_bytes):
        end = min(start + page_bytes, len(new))
        if new[start:end] == old[start:end]:
            continue
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return found


if __name__ == "__main__":
    with suppress(OSError):
        os.nice(10)
    print(*make_same(sys.argv[1], sys.argv[2], int(sys.argv[3])))
