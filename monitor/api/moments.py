"""Times at the edge: engine seconds and milliseconds to what programs and people read."""

from __future__ import annotations

from datetime import UTC, datetime

_FARTHEST_MS = 253_370_764_800_000  # the year 9999, where datetime ends


def rfc3339(time_ms: int | None) -> str | None:
    """UTC, to the second, as RFC 3339; None stays None."""
    if time_ms is None or not 0 <= time_ms < _FARTHEST_MS:
        return None
    return datetime.fromtimestamp(time_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def parse(text: str) -> int | None:
    """RFC 3339 text, or plain milliseconds since 1970, in milliseconds; None when it is neither."""
    if text.isascii() and text.isdigit() and len(text) <= 15:
        return int(text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if moment.tzinfo is None else round(moment.timestamp() * 1000)


def wall_of(at: float | None, now: tuple[float, int | None]) -> int | None:
    """The wall time of an engine second, as the clock stands now; None while the clock is not trusted."""
    now_at, now_ms = now
    return None if at is None or now_ms is None else round(now_ms - (now_at - at) * 1000)


def for_long(seconds: float) -> str:
    """A length of time as a person says it: "40 s", "12 min", "3 h 20 min", "2 days"."""
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest and hours < 12 else f"{hours} h"
    return f"{round(hours / 24)} days"
