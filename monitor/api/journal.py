"""The journal as JSON, newest first."""

from __future__ import annotations

from monitor.api.barn import Barn
from monitor.api.moments import rfc3339
from monitor.engine.events import JournalEntry, Json

_MOST = 1000


def entries(barn: Barn, pen: str | None, from_ms: int | None, to_ms: int | None) -> list[Json]:
    """Entries of one pen or all; those whose time is not known yet are the newest."""
    with barn.reader() as reader:
        rows = reader.journal(pen, from_ms, to_ms)
    return [written(entry) for entry in rows[-_MOST:][::-1]]


def written(entry: JournalEntry) -> dict[str, Json]:
    """One entry; `time` is null while the clock is not trusted."""
    return {
        "time": rfc3339(entry.wall_ms if entry.done_ms is None else entry.done_ms),
        "pen": entry.pen,
        "what": entry.what,
        "flock": entry.flock,
        "count": entry.count,
        "note": entry.note,
        "by": entry.by,
    }
