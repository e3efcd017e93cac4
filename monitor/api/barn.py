"""What the API asks of the daemon, and nothing more.

The daemon implements `Barn`; tests drive the same app with a barn that runs the real engine and the
real store without a broker. Times are elapsed engine seconds (`at`) or milliseconds since 1970 UTC.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from datetime import date
from typing import Protocol

from monitor.api.changes import Listener
from monitor.engine.connections import Connections
from monitor.engine.events import Event, Json
from monitor.engine.specification import Specification
from monitor.engine.state import State
from monitor.store.reader import Reader


class Barn(Protocol):
    """The daemon as the API sees it. Every method may be called from any thread."""

    @property
    def specification(self) -> Specification: ...
    @property
    def connections(self) -> Connections: ...

    def state(self) -> State:
        """The engine's present state."""
        ...

    def now(self) -> tuple[float, int | None]:
        """Elapsed engine seconds, and the wall clock in ms since 1970 UTC, or None while it is not trusted."""
        ...

    def act(self, event: Event) -> State:
        """Judge what a person did at once, commit it, and return the state after it."""
        ...

    def reader(self) -> Reader:
        """Where to look back. Its questions raise StoreFailing when the store cannot be read."""
        ...

    def healthy(self) -> tuple[bool, dict[str, str]]:
        """Is the daemon doing its work, and what each part says of itself."""
        ...

    def figures(self) -> dict[str, float]:
        """Counters and gauges by name (`readings_stored_total`), for /metrics; names end in their unit."""
        ...

    def listen(self) -> AbstractContextManager[Listener]:
        """A listener that hears which pens changed, for as long as the context is open."""
        ...

    def ventilation(self, pen: str) -> Json:
        """The ventilation sheet. The page shows it as it is: names, values, rows; `sentence` stands first."""
        ...

    def bedding(self, pen: str) -> Json:
        """The litter. What the page looks for, all optional:

        sentence; limit_ppm; periods: [{began (RFC 3339), what, day: [0.4, 1.4, …], level_ppm: […], text}] and
        changes: [{text}], oldest first; days_left: {text}; due: {text}; warnings: [text]; suggested: [{text}].
        """
        ...

    def air_changes(self, pen: str) -> Json:
        """Air changes an hour as measured in the last weeks, against expected: sentence; weeks: [{begins, text, …}]."""
        ...

    def week_picture(self, pen: str, day: date) -> str:
        """The seven days before this one as SVG: the drawing that the weekly sheet carries."""
        ...

    def calendar(self) -> Json:
        """What each flock wants next, the earliest first: [{day, pen, flock, what, why, source, due}]."""
        ...

    def resolved(self) -> Json:
        """The settings as resolved, with the source of every limit."""
        ...

    def rehearse(self, pen: str, limits: dict[str, dict[str, float]], days: float) -> Json:
        """Alarms and fan hours of the last days under these limits (SI, by alarm name) beside the present ones."""
        ...
