"""Times and spans of time as typed on the command line, and progress on what takes long."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.air.units import Kind
from monitor.cli.refusal import Refused
from monitor.settings.quantities import NotAQuantity, parse


def seconds(text: str) -> float:
    """ "2 min" as seconds."""
    try:
        return parse(text, Kind.TIME)[0]
    except NotAQuantity as trouble:
        raise Refused(f"{text!r} is no span of time; write it as in '90 s' or '2 min'", 2) from trouble


def moment_ms(text: str | None, timezone: str) -> int | None:
    """A date or time; without an offset it is the site's own."""
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as trouble:
        raise Refused(f"{text!r} is no time; write 2026-05-01 or 2026-05-01T06:00:00Z", 2) from trouble
    if found.tzinfo is None:
        found = found.replace(tzinfo=ZoneInfo(timezone))
    return round(found.timestamp() * 1000)


class Progress:
    """A line on the terminal, from the second second on, for as long as something takes."""

    def __init__(self, what: str, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._what = what
        self._monotonic = monotonic
        self._began = self._last = monotonic()
        self._shown = False

    def __call__(self, done: int) -> None:
        now = self._monotonic()
        if now - self._began >= 2.0 and now - self._last >= 0.5:
            self._last, self._shown = now, True
            end = "\r" if sys.stderr.isatty() else "\n"
            print(f"{done:,} {self._what} …", end=end, file=sys.stderr, flush=True)

    def end(self) -> None:
        if self._shown and sys.stderr.isatty():
            print(" " * 60, end="\r", file=sys.stderr)
