"""The daemon as the API sees it. What only a page asks for is imported when it is first asked: the watch starts sooner."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import date

from monitor.api.changes import Hub, Listener
from monitor.daemon.core import Core
from monitor.daemon.writer import Writer
from monitor.engine.connections import Connections
from monitor.engine.events import Event, JournalEntry, Json
from monitor.engine.specification import Specification
from monitor.engine.state import State
from monitor.settings.read import Settings
from monitor.settings.resolved import as_json
from monitor.store.reader import Reader
from monitor.wire.session import Session

LITTER_KEPT_S = 3600.0  # a look back over a year takes seconds, and litter ages by the day
LOOK_BACK_LAG_S = 15.0  # how far behind a picture may be; our own rule


@dataclass(slots=True)
class Yard:
    """Implements the API's `Barn`. Every method may be called from any thread."""

    settings: Settings
    core: Core
    writer: Writer
    session: Session
    hub: Hub
    look_back: Reader
    started_monotonic: float
    last_tick: Callable[[], float]
    monotonic: Callable[[], float] = time.monotonic
    _litter: dict[str, tuple[float, Json]] = field(default_factory=dict)
    _air: dict[str, tuple[float, Json]] = field(default_factory=dict)
    more_parts: Callable[[], dict[str, str]] = dict  # of what goes on beside the judging: told, but no part of the health
    more_figures: Callable[[], dict[str, float]] = dict

    @property
    def specification(self) -> Specification:
        return self.settings.specification

    @property
    def connections(self) -> Connections:
        return self.settings.connections

    def state(self) -> State:
        return self.core.state

    def now(self) -> tuple[float, int | None]:
        return self.core.now()

    def act(self, event: Event) -> State:
        state = self.core.act(event)
        if isinstance(event, JournalEntry):
            self._litter.clear()
        self.writer.flush()
        return state

    def reader(self) -> Reader:
        """Where to look back. Somebody is looking, so what waits for its commit is written first, at most every few seconds."""
        last = self.writer.last_commit_at
        if last is None or self.monotonic() - last > LOOK_BACK_LAG_S:
            self.writer.flush()
        return self.look_back

    def healthy(self) -> tuple[bool, dict[str, str]]:
        """Is the daemon doing its work? What each part says of itself."""
        parts: dict[str, str] = {}
        late = self.monotonic() - self.last_tick()
        parts["engine"] = "broken" if self.core.is_broken else ("well" if late < 15.0 else f"stands still for {late:.0f} s")
        parts["broker"] = "connected" if self.session.connected else "not connected"
        parts["network thread"] = "well" if self.session.is_turning() else "stands still"
        if not self.writer.is_alive:
            parts["store"] = "its thread ended"
        else:
            parts["store"] = "failing" if self.writer.is_failing else "well"
        parts["clock"] = self.core.timeline.doubt or "trusted"
        parts["readings"] = self._readings()
        well = (
            parts["engine"] == "well"
            and parts["network thread"] == "well"
            and parts["store"] == "well"
            and parts["broker"] == "connected"
            and parts["readings"] != "none arrive"
        )
        return well, {**parts, **self.more_parts()}

    def must_restart(self) -> bool:
        """Would a restart help? A lost broker or a full disk it would not; a thread that stands still it would."""
        _, parts = self.healthy()
        return parts["engine"] != "well" or parts["network thread"] != "well" or not self.writer.is_alive

    def _readings(self) -> str:
        state = self.core.state
        at, _ = self.core.now()
        sensors = self.specification.sensors
        if not sensors:
            return "no sensor is set"
        flowing = sum(
            known.value_at is not None and at - known.value_at <= sensors[key].silent_after_s
            for pen in state.pens.values()
            for key, known in pen.sensors.items()
            if key in sensors
        )
        return "none arrive" if flowing == 0 else f"{flowing} of {len(sensors)} sensors"

    def figures(self) -> dict[str, float]:
        """Counters and gauges for the metrics; the names end in their unit."""
        tally, counts = self.core.tally, self.session.counts
        return {
            "events_total": tally.events,
            "readings_judged_total": tally.readings,
            "readings_stored_total": self.writer.readings_stored,
            "readings_dropped_total": tally.readings_dropped,
            "deliveries_acknowledged_unstored_total": self.writer.acknowledged_unstored,
            "commits_total": self.writer.commits,
            "fan_changes_total": tally.fan_changes,
            "alarms_raised_total": tally.alarms_raised,
            "engine_faults_total": tally.broken_steps,
            "unreadable_payloads_total": float(sum(self.core.state.unreadable.values())),
            "broker_connects_total": counts.connects,
            "broker_messages_total": counts.received,
            "uptime_seconds": self.monotonic() - self.started_monotonic,
            **self.more_figures(),
        }

    def listen(self) -> AbstractContextManager[Listener]:
        return self.hub.listen()

    def ventilation(self, pen: str) -> Json:
        from monitor.daemon import looking_back

        return looking_back.ventilation(self.reader(), self.specification, self.core.state, pen, self.now()[1])

    def bedding(self, pen: str) -> Json:
        from monitor.daemon.look_back import look_back

        _, wall_ms = self.now()
        if wall_ms is None:
            return {"sentence": "The litter's periods wait for a trusted clock."}
        known = self._litter.get(pen)
        if known is not None and self.monotonic() - known[0] < LITTER_KEPT_S:
            return known[1]
        found: Json = look_back(self.specification, pen, self.reader(), wall_ms).as_json(self.specification.units)
        self._litter[pen] = (self.monotonic(), found)
        return found

    def air_changes(self, pen: str) -> Json:
        from monitor.daemon.measured_air import measured_air

        _, wall_ms = self.now()
        if wall_ms is None:
            return {"sentence": "Air changes wait for a trusted clock.", "weeks": [], "lines": []}
        known = self._air.get(pen)
        if known is not None and self.monotonic() - known[0] < LITTER_KEPT_S:
            return known[1]
        found = measured_air(self.specification, pen, self.reader(), wall_ms)
        self._air[pen] = (self.monotonic(), found)
        return found

    def week_picture(self, pen: str, day: date) -> str:
        from monitor.daemon.weeks import picture, week

        return picture(self.specification, self.core.state, week(self.specification, self.reader(), pen, day), day)

    def calendar(self) -> Json:
        from monitor.daemon import looking_back

        return looking_back.calendar(self.reader(), self.specification, self.core.state, self.now()[1])

    def resolved(self) -> Json:
        found: Json = as_json(self.settings)
        return found

    def rehearse(self, pen: str, limits: dict[str, dict[str, float]], days: float) -> Json:
        """In a process of its own; what cannot be tried is said in the answer's sentence."""
        from monitor.daemon.trying import NotTried, tried

        _, wall_ms = self.now()
        if wall_ms is None:
            return {"sentence": "A rehearsal waits for a trusted clock."}
        self.writer.flush()
        try:
            return tried(self.settings.file, pen, limits, days, wall_ms)
        except NotTried as trouble:
            return {"sentence": f"The rehearsal was not made: {trouble}"}
